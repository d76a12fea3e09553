import numpy as np
import pytest

from station.errors import BadInput
from station.simulation.pull_tester import SimulatedPullTester


@pytest.fixture
def tester() -> SimulatedPullTester:
    tester = SimulatedPullTester(np.random.default_rng(1), capacity_n=200)
    assert tester.due(50.0) == b""
    return tester


def lines(tester: SimulatedPullTester, now_s: float) -> list[list[str]]:
    return [line.split(",") for line in tester.due(now_s).decode().splitlines()]


def test_it_counts_at_its_sample_rate(tester: SimulatedPullTester) -> None:
    assert tester.next_due_s(50.0) == pytest.approx(50.01)
    counters = [int(line[0]) for now_s in (50.123, 51.003) for line in lines(tester, now_s)]
    assert counters == list(range(100))


def test_a_pull_may_run_faster_but_not_the_wait_for_it() -> None:
    fast = SimulatedPullTester(np.random.default_rng(1), speed=20)
    fast.due(0.0)
    assert len(lines(fast, 1.0001)) == 100
    fast.handle({"mount": {"break_force_n": 80}}, 1.0001)
    fast.handle({"pull": True}, 1.0001)
    assert len(lines(fast, 1.0501)) == 100


def test_where_the_host_is_late_the_clock_of_a_faster_tester_waits() -> None:
    fast = SimulatedPullTester(np.random.default_rng(1), speed=20)
    fast.due(0.0)
    fast.handle({"mount": {"break_force_n": 80}}, 0.0)
    fast.handle({"pull": True}, 0.0)
    counters = [int(line[0]) for now_s in (0.05, 30.0, 30.05) for line in lines(fast, now_s)]
    assert counters == list(range(400))


def test_a_pull_goes_up_to_the_break_and_the_specimen_is_scrap(
    tester: SimulatedPullTester,
) -> None:
    tester.handle({"mount": {"break_force_n": 80}}, 50.0)
    tester.handle({"pull": True}, 50.0)
    forces = [float(line[1]) for line in lines(tester, 65.001)]
    # Noise of 0.05 N over the flat top: a few of its sigma, and half a digit.
    assert max(forces) == pytest.approx(80, abs=0.3)
    assert abs(forces[-1]) < 0.5
    with pytest.raises(BadInput, match="No whole specimen"):
        tester.handle({"pull": True}, 65.0)


def test_above_its_capacity_it_says_overload(tester: SimulatedPullTester) -> None:
    tester.handle({"mount": {"break_force_n": 300}}, 50.0)
    tester.handle({"pull": True}, 50.0)
    words = {(line[1], line[3]) for line in lines(tester, 65.001) if line[3] != "OK"}
    assert words == {("OL", "OL")}


def test_it_says_who_it_is_when_asked(tester: SimulatedPullTester) -> None:
    tester.receive(b"HELLO", 50.0)
    tester.receive(b"id?", 50.0)
    assert tester.due(50.0) == b"CRIMP STATION,SIMULATED PULL TESTER,0001,1\r\n"


def test_a_specimen_taken_out_in_mid_pull_is_no_longer_pulled(tester: SimulatedPullTester) -> None:
    tester.handle({"mount": {}}, 50.0)
    tester.handle({"pull": True}, 50.0)
    lines(tester, 51.5)
    tester.handle({"unmount": True}, 51.5)
    assert max(abs(float(line[1])) for line in lines(tester, 53.0)) < 0.5


def test_what_hands_cannot_do(tester: SimulatedPullTester) -> None:
    with pytest.raises(BadInput, match="mount, pull or unmount"):
        tester.handle({"push": True}, 50.0)
    with pytest.raises(BadInput, match="strands"):
        tester.handle({"mount": {"strands": 0}}, 50.0)
