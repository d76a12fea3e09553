"""The panel at the bench: footswitch, guard and lamps of a sample under way."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from station.bench.bench import Bench
from station.bench.board import BenchState, Stage
from station.bench.panel import lamps_of
from station.errors import BadInput
from station.instruments.panel.contacts import Lamp
from station.instruments.panel.watch import PanelWatch
from station.jobs.sample_order import SampleOrder
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import SimulatedBench, demo_limit_sets, simulated_bench
from station.simulation.hands import HandsAtTheBench
from tests.pace import unpaced
from tests.worked_panel import WorkedPanel

JOINT = workshop.joint("Heron", "red", "18 AWG")
ORDER = SampleOrder("Benno", "daily_check", JOINT, checklist=workshop.good_looks(JOINT))
LONG_S = 30.0


class PanelledBench:
    """A simulated bench with a simulated panel that is being watched."""

    def __init__(self, simulated: SimulatedBench, panel: WorkedPanel, ledger: Ledger) -> None:
        self.bench: Bench = simulated.bench
        self.panel = panel
        self._ledger = ledger

    def until(self, *, stage: Stage | None = None, guard: str | None = None) -> BenchState:
        state = self.bench.board.state
        while not (stage in (None, state.stage) and guard in (None, state.guard)):
            newer = self.bench.board.wait_beyond(state.version, LONG_S)
            assert newer.version > state.version, f"the bench stays at {state.stage}"
            state = newer
        return state

    def pulling(self) -> BenchState:
        """Wait until the force is rising."""
        state = self.until(stage=Stage.PULLING)
        while (state.peak_n or 0.0) < 20.0:
            state = self.bench.board.wait_beyond(state.version, LONG_S)
        return state

    def logged(self) -> SampleRow:
        return self._ledger.reader.samples(limit=1)[0]


@pytest.fixture
def at(tmp_path: Path) -> Iterator[PanelledBench]:
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger.open(tmp_path / "bench.ledger"))
        panel = WorkedPanel()
        stack.enter_context(unpaced())
        simulated = stack.enter_context(
            simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=True, panel=panel)
        )
        stack.enter_context(HandsAtTheBench(simulated.hands))
        stack.enter_context(PanelWatch(panel, simulated.bench.take_event))
        yield PanelledBench(simulated, panel, ledger)


def test_a_sample_by_footswitch_alone(at: PanelledBench) -> None:
    at.bench.start(ORDER)
    at.until(stage=Stage.CLIP_ON)
    assert set(at.panel.line().lamps) == {"ready"}
    at.panel.press_footswitch()
    at.until(stage=Stage.GRIP)
    at.panel.press_footswitch()
    at.until(stage=Stage.NAME_FAILURE)
    at.bench.name_failure("broke_at_edge")
    finished = at.until(stage=Stage.DONE).outcome
    assert finished is not None
    assert finished.pull is not None
    assert finished.pull.guard == "closed"
    assert set(at.panel.line().lamps) == {finished.verdict}
    assert at.bench.simulated


def test_an_open_guard_refuses_the_grip_and_says_so(at: PanelledBench) -> None:
    at.bench.start(ORDER)
    at.until(stage=Stage.CLIP_ON)
    at.bench.confirm()
    at.until(stage=Stage.GRIP)
    at.panel.open_guard()
    at.until(guard="open")
    with pytest.raises(BadInput, match="guard is open"):
        at.bench.confirm()
    at.panel.press_footswitch()
    state = at.bench.board.state
    while "guard is open" not in (state.trouble or ""):
        state = at.bench.board.wait_beyond(state.version, LONG_S)
    assert state.stage is Stage.GRIP
    at.panel.close_guard()
    assert at.until(guard="closed").trouble is None
    at.bench.confirm()
    at.until(stage=Stage.NAME_FAILURE)


def test_a_guard_opened_during_the_pull_ends_and_voids_it(at: PanelledBench) -> None:
    at.bench.start(ORDER)
    at.until(stage=Stage.CLIP_ON)
    at.bench.confirm()
    at.until(stage=Stage.GRIP)
    at.bench.confirm()
    at.pulling()
    at.panel.open_guard()
    finished = at.until(stage=Stage.DONE).outcome
    assert finished is not None
    assert finished.verdict == "void"
    assert "guard was open during the pull" in (finished.void_reason or "")
    assert finished.resistance is not None
    assert at.logged().verdict == "void"
    assert set(at.panel.line().lamps) == {"attention"}


def test_without_a_panel_the_record_says_that_no_guard_was_watched(tmp_path: Path) -> None:
    with (
        Ledger.open(tmp_path / "bench.ledger") as ledger,
        simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=True) as simulated,
        HandsAtTheBench(simulated.hands),
    ):
        at = PanelledBench(simulated, WorkedPanel(), ledger)
        at.bench.start(ORDER)
        for stage in (Stage.CLIP_ON, Stage.GRIP):
            at.until(stage=stage)
            at.bench.confirm()
        at.until(stage=Stage.NAME_FAILURE)
        at.bench.name_failure("drawn_out")
        finished = at.until(stage=Stage.DONE).outcome
        assert finished is not None
        assert finished.pull is not None
        assert finished.pull.guard == "not watched"
        assert not at.bench.panel.line().present


@pytest.mark.parametrize(
    ("state", "lamps"),
    [
        (BenchState(), {Lamp.READY}),
        (BenchState(stage=Stage.READING), set()),
        (BenchState(stage=Stage.GRIP, guard="open"), {Lamp.READY}),
        (BenchState(instrument_troubles=("The meter was lost.",)), {Lamp.READY, Lamp.ATTENTION}),
        (BenchState(attention=True, stage=Stage.PULLING), {Lamp.ATTENTION}),
        (BenchState(trouble="The card is full."), {Lamp.READY, Lamp.ATTENTION}),
    ],
)
def test_lamps_say_how_the_bench_stands(state: BenchState, lamps: set[Lamp]) -> None:
    assert lamps_of(state) == lamps
