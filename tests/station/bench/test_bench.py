import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from station.bench.bench import Bench
from station.bench.board import Stage
from station.bench.operator import SampleAbandoned
from station.errors import BadInput, NoLimit, PortLost
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import SampleBegun
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import (
    HandsAsOperator,
    SimulatedBench,
    demo_limit_sets,
    simulated_bench,
)
from station.simulation.hands import HandsAtTheBench
from tests.pace import unpaced

JOINT = workshop.joint("Heron", "red", "18 AWG")
ORDER = SampleOrder("Benno", "daily_check", JOINT, checklist=workshop.good_looks(JOINT))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "bench.ledger") as opened:
        yield opened


@pytest.fixture
def simulated(ledger: Ledger) -> Iterator[SimulatedBench]:
    with (
        unpaced(),
        simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=True) as bench,
    ):
        yield bench


class KillMeterOnClips(HandsAsOperator):
    def __init__(self, simulated: SimulatedBench) -> None:
        super().__init__(simulated.hands, lambda _text: None)
        self._simulated = simulated

    def clips_on(self) -> None:
        super().clips_on()
        self._simulated.hands.meter.kill()


class KillTesterDuringPull(HandsAsOperator):
    """Ends the tester once the board shows that the force is rising."""

    def __init__(self, simulated: SimulatedBench) -> None:
        super().__init__(simulated.hands, lambda _text: None)
        self._simulated = simulated

    def sample_gripped(self) -> None:
        super().sample_gripped()
        threading.Thread(target=self._kill_when_rising, daemon=True).start()

    def _kill_when_rising(self) -> None:
        board = self._simulated.bench.board
        state = board.state
        while (state.peak_n or 0.0) < 20.0:
            state = board.wait_beyond(state.version, timeout_s=10.0)
        self._simulated.hands.tester.kill()


def test_a_sample_goes_over_the_serial_lines_into_the_ledger(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    steps: list[str] = []
    operator = HandsAsOperator(simulated.hands, steps.append)
    outcome = simulated.bench.take_sample(ORDER, operator)
    finished = outcome.finished
    assert outcome.error is None
    assert finished.verdict == "pass"
    assert finished.resistance is not None
    assert finished.pull is not None
    truth = simulated.hands.specimen
    assert truth is not None
    # Four u: the numbers that crossed the line are those of the specimen, less the nominal wire.
    assert finished.resistance.reading_ohm == pytest.approx(truth.between_clips_ohm, abs=5e-6)
    assert abs(finished.pull.peak_n - truth.break_force_n) < 4 * finished.pull.u_n
    row = ledger.reader.sample(outcome.sample_id)
    assert row is not None
    assert row.verdict == "pass"
    assert row.simulated
    assert row.demo
    assert row.trace_sha256 is not None
    assert ledger.reader.trace(row.trace_sha256) is not None
    assert len(steps) == 5


def test_meter_lost_in_mid_sample_is_named_and_the_sample_void(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    outcome = simulated.bench.take_sample(ORDER, KillMeterOnClips(simulated))
    assert isinstance(outcome.error, PortLost)
    assert "milliohm meter" in str(outcome.error)
    row = ledger.reader.sample(outcome.sample_id)
    assert row is not None
    assert row.verdict == "void"
    assert "milliohm meter" in (row.void_reason or "")
    lines = {line.role: line for line in simulated.bench.instruments()}
    assert lines["meter"].trouble is not None
    assert not simulated.bench.busy


def test_tester_lost_during_the_pull_keeps_the_resistance(simulated: SimulatedBench) -> None:
    outcome = simulated.bench.take_sample(ORDER, KillTesterDuringPull(simulated))
    assert isinstance(outcome.error, PortLost)
    assert "pull tester" in str(outcome.error)
    assert outcome.finished.verdict == "void"
    assert outcome.finished.resistance is not None
    assert outcome.finished.pull is None


@pytest.mark.parametrize(
    ("changes", "error", "says"),
    [
        ({"person": " "}, BadInput, "who makes"),
        ({"limit_set": "none"}, NoLimit, "no limit set"),
        ({"joint": workshop.joint("Heron", "red", "12 AWG")}, BadInput, "not made for 12 AWG"),
    ],
)
def test_a_wrong_description_logs_nothing(
    simulated: SimulatedBench,
    ledger: Ledger,
    changes: dict[str, object],
    error: type[Exception],
    says: str,
) -> None:
    order = SampleOrder(
        **{  # type: ignore[arg-type]
            "person": ORDER.person,
            "job": ORDER.job,
            "joint": ORDER.joint,
            "limit_set": ORDER.limit_set,
            **changes,
        }
    )
    with pytest.raises(error, match=says):
        simulated.bench.take_sample(order, HandsAsOperator(simulated.hands, print))
    assert ledger.reader.counts().entries == 0


def wait_for(bench: Bench, *stages: Stage) -> Stage:
    state = bench.board.state
    while state.stage not in stages:
        newer = bench.board.wait_beyond(state.version, timeout_s=30.0)
        assert newer.version > state.version, f"the bench stays at {state.stage}"
        state = newer
    return state.stage


def test_the_page_drives_a_sample_step_by_step(simulated: SimulatedBench, ledger: Ledger) -> None:
    bench = simulated.bench
    with HandsAtTheBench(simulated.hands):
        bench.start(ORDER)
        wait_for(bench, Stage.CLIP_ON)
        with pytest.raises(BadInput, match="under way"):
            bench.start(ORDER)
        with pytest.raises(BadInput, match="not waiting"):
            bench.name_failure("drawn_out")
        bench.confirm()
        wait_for(bench, Stage.GRIP)
        bench.confirm()
        wait_for(bench, Stage.NAME_FAILURE)
        with pytest.raises(BadInput, match="no failure mode"):
            bench.name_failure("vanished")
        bench.name_failure("broke_in_wire")
        wait_for(bench, Stage.DONE)
    row = ledger.reader.samples(limit=1)[0]
    assert row.failure_mode == "broke_in_wire"
    assert row.verdict == "pass"


def test_stepping_back_before_anything_was_measured_leaves_no_trace(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    bench, before = simulated.bench, ledger.reader.counts().entries
    bench.start(ORDER)
    wait_for(bench, Stage.CLIP_ON)
    bench.abandon("the wrong nest")
    wait_for(bench, Stage.IDLE)
    assert ledger.reader.counts().entries == before
    assert bench.board.state.trouble is None


def test_a_fault_that_was_seen_is_not_stepped_back_from(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    bench = simulated.bench
    bench.start(replace(ORDER, checklist={}))
    wait_for(bench, Stage.CLIP_ON)
    bench.look({"no-stray-strand": False})
    bench.abandon("seen enough")
    wait_for(bench, Stage.DONE)
    assert ledger.reader.samples(limit=1)[0].verdict == "fail"


def test_a_sample_given_up_is_void(simulated: SimulatedBench, ledger: Ledger) -> None:
    bench = simulated.bench
    with HandsAtTheBench(simulated.hands):
        bench.start(ORDER)
        wait_for(bench, Stage.CLIP_ON)
        bench.confirm()
        wait_for(bench, Stage.GRIP)
        bench.abandon("dropped it")
        wait_for(bench, Stage.DONE)
    row = ledger.reader.samples(limit=1)[0]
    assert row.verdict == "void"
    assert "dropped it" in (row.void_reason or "")


class SaysItSlipped(HandsAsOperator):
    def failure_mode(self, suggested: str | None) -> str:
        super().failure_mode(suggested)
        return "grip_slip"


class GivesUpAfterThePull(HandsAsOperator):
    def failure_mode(self, suggested: str | None) -> str:
        raise SampleAbandoned("did not like it")


@pytest.mark.parametrize("hands", [SaysItSlipped, GivesUpAfterThePull])
def test_a_void_on_a_persons_word_keeps_the_judged_force(
    simulated: SimulatedBench, ledger: Ledger, hands: type[HandsAsOperator]
) -> None:
    operator = hands(simulated.hands, lambda _text: None)
    outcome = simulated.bench.take_sample(ORDER, operator)
    row = ledger.reader.sample(outcome.sample_id)
    assert row is not None
    assert (row.verdict, row.void_by, row.measured_verdict) == ("void", "person", "pass")
    assert row.peak_n is not None
    assert row.trace_sha256 is not None
    assert row.pull_begun_seq is not None


class GivesUpWhilePulling(HandsAsOperator):
    def sample_gripped(self) -> None:
        super().sample_gripped()
        self.stop.set()


def test_a_pull_given_up_is_on_record_as_begun(simulated: SimulatedBench, ledger: Ledger) -> None:
    operator = GivesUpWhilePulling(simulated.hands, lambda _text: None)
    outcome = simulated.bench.take_sample(ORDER, operator)
    row = ledger.reader.sample(outcome.sample_id)
    assert row is not None
    assert (row.verdict, row.void_by, row.peak_n) == ("void", "person", None)
    assert row.pull_begun_seq is not None


def test_an_interrupted_sample_can_be_voided_once(
    simulated: SimulatedBench, ledger: Ledger
) -> None:
    begun = SampleBegun(job="daily_check", joint=ORDER.joint, limit_set=ORDER.limit_set)
    sample_id = ledger.append(begun, person="Benno").id
    assert [row.sample_id for row in ledger.reader.unfinished()] == [sample_id]
    simulated.bench.void_unfinished(sample_id, "Ottilie", "power cut")
    assert ledger.reader.unfinished() == []
    with pytest.raises(BadInput, match="not waiting to be finished"):
        simulated.bench.void_unfinished(sample_id, "Ottilie", "again")


class StuckTester(HandsAsOperator):
    """Gives the sample up once the bench has said that the force stands still."""

    def __init__(self, simulated: SimulatedBench) -> None:
        super().__init__(simulated.hands, lambda _text: None)
        self._simulated = simulated
        self.told: list[str] = []

    def sample_gripped(self) -> None:
        self._simulated.hands.tester.command({"fault": "stuck"})
        threading.Thread(target=self._watch, daemon=True).start()

    def _watch(self) -> None:
        board = self._simulated.bench.board
        state = board.state
        while state.standstill is None:
            state = board.wait_beyond(state.version, timeout_s=10.0)
        self.told.append(state.standstill)
        self.stop.set()


def test_a_force_that_stands_still_is_said_and_voids_nothing_by_itself(
    simulated: SimulatedBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("station.instruments.standstill.STANDS_AFTER_S", 0.5)
    operator = StuckTester(simulated)
    outcome = simulated.bench.take_sample(ORDER, operator)
    assert operator.told == ["no_force"]
    assert outcome.finished.void_by == "person"
    assert simulated.bench.board.state.standstill is None


def test_what_the_bench_does_not_wait_for_is_answered_with_what_it_waits_for(
    simulated: SimulatedBench,
) -> None:
    for act in (simulated.bench.confirm, lambda: simulated.bench.abandon("tried")):
        with pytest.raises(BadInput, match=r"not waiting for that now\. Choose a job"):
            act()


class SeesTheBoard(HandsAsOperator):
    """Notes what the bench says of the readings before the sample is gripped."""

    def __init__(self, simulated: SimulatedBench) -> None:
        super().__init__(simulated.hands, lambda _text: None)
        self._board = simulated.bench.board
        self.said: str | None = None

    def sample_gripped(self) -> None:
        self.said = self._board.state.standstill
        super().sample_gripped()


def test_a_meter_that_reads_two_samples_alike_to_the_last_digit_is_said(
    simulated: SimulatedBench,
) -> None:
    said, recorded = [], []
    for fault in (None, "stuck", "stuck"):
        if fault is not None:
            simulated.hands.meter.command({"fault": fault})
        operator = SeesTheBoard(simulated)
        outcome = simulated.bench.take_sample(ORDER, operator)
        assert outcome.finished.verdict != "void", outcome.finished.void_reason
        said.append(operator.said)
        recorded.append(outcome.finished.resistance)
    assert [result is not None and result.same_as_before for result in recorded][::2] == [
        False, True,
    ]  # fmt: skip
    assert said[0] is None
    assert said[2] == "same_reading"
    assert simulated.bench.board.state.standstill is None
