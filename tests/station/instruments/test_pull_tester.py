import threading
from collections.abc import Callable, Iterator
from itertools import pairwise

import numpy as np
import pytest

from station.errors import (
    BadInput,
    InstrumentGarbled,
    InstrumentRefused,
    InstrumentSilent,
    PortLost,
)
from station.instruments.dialects import PeakRegister
from station.instruments.force_lines import ForceSample
from station.instruments.port import LinePort
from station.instruments.profiles import PullTesterProfile, load_tester_profile
from station.instruments.pull_tester import ForceTrace, PullTester
from station.instruments.recording import PullLimits
from station.simulation.launch import SimulatedInstrument
from tests.station.instruments.fakes import Responder

SHIPPED = load_tester_profile("tester-stream-newton")
RESOLUTION_N = 0.1
NOISE_N = 0.05


def adapted(silence_s: float = 20.0, **dialect: object) -> PullTesterProfile:
    return SHIPPED.model_copy(
        update={
            "dialect": SHIPPED.dialect.model_copy(update=dialect),
            "sampling": SHIPPED.sampling.model_copy(
                update={"silence_s": silence_s, "jitter_s": 60.0}
            ),
        }
    )


def record(
    tester: PullTester,
    on_sample: Callable[[ForceSample], None] = lambda _: None,
    stop: threading.Event | None = None,
    max_time_s: float = 60.0,
) -> ForceTrace:
    limits = PullLimits(2.0, 0.5, 0.1, max_time_s)
    return tester.record(on_sample, stop or threading.Event(), limits)


class ScriptedTester(Responder):
    """Sends its lines when told ``GO``, so that a test knows what the recording sees."""

    def __init__(self, *lines: bytes) -> None:
        self.lines = lines
        super().__init__(self._go)

    def _go(self, line: bytes) -> bytes | None:
        return b"".join(each + b"\r\n" for each in self.lines) if line == b"GO" else None


def counted(*forces: float, first: int = 1) -> list[bytes]:
    return [f"{first + i},{force:+.1f},N,OK".encode() for i, force in enumerate(forces)]


def played(*lines: bytes, silence_s: float = 20.0) -> ForceTrace:
    profile = adapted(silence_s, start=("GO",), stop=("HALT",))
    with (
        ScriptedTester(*lines) as far,
        LinePort(far.path, profile.line, name="tester") as port,
    ):
        return record(PullTester(port, profile))


RAMP = [0.0, 0.0, 5.0, 20.0, 50.0, 80.0, 100.0]
FALLEN = [0.0] * 11


def test_a_scripted_pull_is_recorded_sample_by_sample() -> None:
    trace = played(*counted(*RAMP, *FALLEN))
    assert trace.force_n.tolist() == [*RAMP, *FALLEN]
    np.testing.assert_allclose(trace.time_s, np.arange(-2, 16) / 100, atol=1e-12)
    assert (trace.ended_by, trace.unit, trace.overload) == ("force fell", "N", False)
    assert (trace.lost_samples, trace.time_from) == (0, "counter")


def test_lost_and_unreadable_lines_are_counted_and_keep_the_time_right() -> None:
    lines = counted(*RAMP, *FALLEN)
    lines[4] = b"5,+5?.0,N,OK"
    del lines[8:10]
    trace = played(*lines, *counted(0.0, 0.0, first=19))
    assert trace.lost_samples == 3
    assert trace.time_s[np.argmax(trace.force_n)] == pytest.approx(0.04)


def test_a_line_end_that_is_missing_costs_its_samples_only() -> None:
    lines = counted(*RAMP, *FALLEN)
    lines[3] = b"4,+20.0,N,OK" + b"x" * 300
    assert played(*lines).lost_samples == 1


def test_a_unit_change_voids_the_run() -> None:
    with pytest.raises(InstrumentGarbled, match="changed its unit"):
        played(*counted(*RAMP), b"8,+22.0,lbf,OK")


def test_an_overload_word_ends_the_run() -> None:
    trace = played(*counted(*RAMP), b"8,OL,N,OL")
    assert (trace.ended_by, trace.overload) == ("overload", True)
    assert trace.force_n.tolist() == RAMP


def test_near_the_capacity_is_an_overload() -> None:
    trace = played(*counted(0.0, 500.0, 901.0))
    assert (trace.ended_by, trace.overload) == ("overload", True)


def test_a_tester_that_falls_silent_in_mid_run() -> None:
    with pytest.raises(InstrumentSilent, match=r"tester on .* sent nothing"):
        played(*counted(*RAMP), silence_s=0.2)


def test_impossible_limits_are_refused_before_anything_is_sent() -> None:
    profile = adapted(start=("GO",))
    with (
        ScriptedTester() as far,
        LinePort(far.path, profile.line, name="tester") as port,
        pytest.raises(BadInput, match="max_time_s"),
    ):
        record(PullTester(port, profile), max_time_s=0)
    assert far.heard == []


def test_the_tester_is_told_to_stop_however_it_ends() -> None:
    profile = adapted(start=("GO",), stop=("HALT",), identify_query="WHO")
    with (
        ScriptedTester(b"1,1,stone,OK") as far,
        LinePort(far.path, profile.line, name="tester") as port,
    ):
        tester = PullTester(port, profile)
        with pytest.raises(InstrumentGarbled):
            record(tester)
        far.answer = lambda line: b"ANY,TESTER,5,1\r\n" if line == b"WHO" else None
        assert tester.identify().serial == "5"
        assert far.heard == [b"GO", b"HALT", b"WHO"]


def test_unplugged_in_mid_run_voids_the_pull() -> None:
    profile = adapted(start=("GO",), stop=("HALT",))
    with (
        ScriptedTester(*counted(*RAMP)) as far,
        LinePort(far.path, profile.line, name="tester") as port,
    ):

        def unplug_at_the_top(sample: ForceSample) -> None:
            if sample.force_n == 100.0:
                far.cut()

        with pytest.raises(PortLost, match=r"peak of 100.0 N so far: this pull is void"):
            record(PullTester(port, profile), unplug_at_the_top)


class RegisterTester(ScriptedTester):
    """Keeps its highest force, which a slow stream may miss; may not let go of the last one."""

    def __init__(self, *lines: bytes, left_n: float = 0.0) -> None:
        self.peaks = [f"PT={left_n}".encode(), b"PT=-101.5"]
        super().__init__(*lines)

    def _go(self, line: bytes) -> bytes | None:
        return self.peaks.pop(0) + b"\r\n" if line == b"PT" else super()._go(line)


def with_register() -> PullTesterProfile:
    peak = PeakRegister(clear="PZ", query="PT", reply=r"PT=(?P<force>[+-]?[\d.]+)")
    return adapted(start=("GO",), peak=peak, assumed_unit="N", tension_sign=-1)


def test_the_peak_register_is_cleared_before_and_read_after() -> None:
    lines = [line.replace(b"+", b"-") for line in counted(*RAMP, *FALLEN)]
    profile = with_register()
    with (
        RegisterTester(*lines) as far,
        LinePort(far.path, profile.line, name="tester") as port,
    ):
        trace = record(PullTester(port, profile))
        assert (trace.register_peak_n, trace.force_n.max()) == (101.5, 100.0)
        assert far.heard == [b"PZ", b"PT", b"GO", b"PT"]


def test_a_peak_register_that_does_not_let_go_is_refused() -> None:
    profile = with_register()
    with (
        RegisterTester(left_n=-55.0) as far,
        LinePort(far.path, profile.line, name="tester") as port,
        pytest.raises(InstrumentRefused, match=r"still shows 55.0 N"),
    ):
        record(PullTester(port, profile))


def test_a_tester_without_words_has_an_empty_identity() -> None:
    port = LinePort("/dev/any", SHIPPED.line, name="tester")
    assert PullTester(port, adapted(identify_query=None)).identify().raw == ""


@pytest.fixture(scope="module")
def simulated() -> Iterator[SimulatedInstrument]:
    with SimulatedInstrument("pull_tester", seed=7, paced=False) as instrument:
        yield instrument


@pytest.fixture(name="tester")
def connected_tester(simulated: SimulatedInstrument) -> Iterator[PullTester]:
    simulated.command({"unmount": True})
    with LinePort(simulated.port, SHIPPED.line, name="tester") as port:
        yield PullTester(port, adapted())


def test_the_simulated_tester_is_alive_and_says_who_it_is(tester: PullTester) -> None:
    assert tester.identify().model == "SIMULATED PULL TESTER"
    force_n = tester.check_alive().force_n
    assert force_n is not None
    assert abs(force_n) < 1


@pytest.mark.parametrize("failure", ["break", "slip", "grip_slip"])
def test_a_simulated_pull_finds_the_force_it_broke_at(
    simulated: SimulatedInstrument, tester: PullTester, failure: str
) -> None:
    simulated.command({"mount": {"break_force_n": 120.0, "failure": failure, "slack_mm": 2.0}})
    pulling = threading.Event()

    def pull_once(_: ForceSample) -> None:
        # The person works the lever once the recording runs.
        if not pulling.is_set():
            pulling.set()
            simulated.command({"pull": True})

    trace = record(tester, pull_once)
    assert trace.ended_by == "force fell"
    # The top is flat over many samples, so the largest of them is high by a few sigma of noise.
    assert trace.force_n.max() == pytest.approx(120.0, abs=5 * NOISE_N + RESOLUTION_N)
    assert trace.time_s[0] <= -0.5
    assert trace.lost_samples == 0
    steps_s = np.diff(trace.time_s)
    np.testing.assert_allclose(steps_s, 0.01, atol=1e-9)


def test_nobody_pulls(tester: PullTester) -> None:
    trace = record(tester, max_time_s=1.0)
    assert trace.ended_by == "no specimen"
    assert np.abs(trace.force_n).max() < 1


def test_a_recording_can_be_stopped(tester: PullTester) -> None:
    stop = threading.Event()
    assert record(tester, lambda _: stop.set(), stop).ended_by == "stopped"


def test_another_device_on_the_port_never_gives_a_force() -> None:
    with pytest.raises(InstrumentGarbled, match="cannot read"):
        played(*[b"+1.23450E-03"] * 20)


def test_noise_at_another_baud_rate_never_gives_a_force() -> None:
    noise = np.random.default_rng(1)
    forces = [*np.linspace(0.0, 100.0, 60).round(1).tolist(), *FALLEN]
    for _ in range(20):
        lines = counted(*forces)
        at, count = (int(each) for each in noise.integers((1, 1), (60, 8)))
        lines[at : at + count] = [noise.bytes(40) for _ in range(count)]
        try:
            trace = played(*lines, b"999,+0.0,N,END")
        except InstrumentGarbled:
            continue
        assert set(trace.force_n.tolist()) <= set(forces)
        assert trace.lost_samples == count


def test_ten_megabytes_without_a_line_end_never_give_a_force() -> None:
    seen: list[ForceSample] = []
    profile = adapted(60.0, start=("GO",), stop=("HALT",))
    # The last line ends the run, once all before it was read.
    with (
        ScriptedTester(*counted(*RAMP), b"8" * 10_000_000, b"9,+5.0,N,END") as far,
        LinePort(far.path, profile.line, name="tester") as port,
        pytest.raises(InstrumentGarbled, match="says 'END'"),
    ):
        record(PullTester(port, profile), seen.append)
    assert [sample.force_n for sample in seen] == RAMP


def test_two_answers_to_one_poll_are_taken_as_one() -> None:
    profile = adapted(poll="?", reply=r"(?P<force>[\d.]+) (?P<unit>\w+)", good_status=())
    answers = iter(range(1, 200))

    def twice(line: bytes) -> bytes | None:
        return b"%d N\r\n%d N\r\n" % ((next(answers),) * 2) if line == b"?" else None

    with (
        Responder(twice, line_end=b"\n") as far,
        LinePort(far.path, profile.line, name="tester") as port,
    ):
        samples = PullTester(port, profile).samples()
        forces = [next(samples).force_n for _ in range(10)]
        samples.close()
    # Each is of the last question or, where the second came late, of the one before.
    assert all(0.0 <= (later or 0.0) - (force or 0.0) <= 2.0 for force, later in pairwise(forces))
