"""Pulls that are not made to the end, and pulls of a joint's several wires, through the bench."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from station.bench.board import BenchState, Stage
from station.crimp.verdict import NOT_HELD, PEAK_IS_NO_HOLD
from station.errors import BadInput, NoLimit
from station.instruments.profiles import PullTesterProfile
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint, PullResult, SampleFinished
from station.ledger.store import Ledger
from station.settings import FixtureSettings, Settings
from station.shop.trend import nest_trend
from station.simulation import workshop
from station.simulation.demo import SimulatedBench, demo_limit_sets, simulated_bench
from station.simulation.hands import HandsAtTheBench
from tests.pace import patient_tester, unpaced

STRONG = {"force_n": 5000.0, "stiffness_n_per_mm": 10.0}
"""Pulled slowly, so that there is time to stop."""


def order_of(joint: Joint, **asked: Any) -> SampleOrder:
    """A sample that was looked at, judged by the shipped limits in force.

    Their pull is held for a minute: 20 lbf, 89 N, for 18 AWG, 30 lbf for 16 AWG, 50 lbf, 222 N, for
    14 AWG.
    """
    return SampleOrder("Benno", "daily_check", joint, checklist=workshop.good_looks(joint), **asked)


JOINT = workshop.joint("Heron", "red", "18 AWG")
TWO_SIZES = JOINT.model_copy(
    update={"connector": "butt-splice-blue", "wires": ("14 AWG", "16 AWG"), "nest": "blue"}
)


def small_tester(name: str, folder: Path | None = None) -> PullTesterProfile:
    profile = patient_tester(name, folder)
    force = profile.force.model_copy(update={"capacity_n": 500.0})
    return profile.model_copy(update={"force": force})


class AtTheBench:
    """A person at the page, who goes on whatever the bench asks for."""

    def __init__(self, simulated: SimulatedBench, ledger: Ledger) -> None:
        self.bench, self.hands, self.ledger = simulated.bench, simulated.hands, ledger
        self.seen: list[BenchState] = []

    def bears(self, force_n: float, stiffness_n_per_mm: float = 60.0) -> None:
        """Let every crimp let go at this force."""
        strength = {"break_force_n": force_n, "stiffness_n_per_mm": stiffness_n_per_mm}
        crimper = self.hands.crimper
        make = crimper.make
        crimper.make = lambda joint: make(joint).model_copy(update=strength)  # type: ignore[method-assign,assignment,misc]

    def take(
        self, order: SampleOrder, *, between: Callable[[BenchState], None] = lambda _state: None
    ) -> SampleFinished:
        """Take a sample; ``between`` is called with each state of the board."""
        self.seen = []
        before = self.bench.board.state.version
        self.bench.start(order)
        state, stage = self.bench.board.wait_beyond(before, 60.0), Stage.IDLE
        while state.stage is not Stage.DONE:
            between(state)
            self.seen.append(state)
            if state.stage is not stage:
                stage = state.stage
                if stage is Stage.GRIP:
                    self.hands.tester.command({"unmount": True})
                if stage in (Stage.CLIP_ON, Stage.GRIP):
                    self.bench.confirm()
                elif stage is Stage.NAME_FAILURE:
                    self.bench.name_failure("broke_at_edge")
            newer = self.bench.board.wait_beyond(state.version, 60.0)
            assert newer.version > state.version, f"the bench stays at {state.stage}"
            state = newer
        assert state.outcome is not None
        return state.outcome


@contextmanager
def at_a_bench(
    path: Path,
    load: Callable[..., PullTesterProfile] = patient_tester,
    settings: Settings | None = None,
) -> Iterator[AtTheBench]:
    with (
        unpaced(),
        patch("station.instruments.bay.load_tester_profile", load),
        Ledger.open(path / "bench.ledger") as ledger,
        simulated_bench(
            ledger, demo_limit_sets(), settings or Settings(), seed=5, demo=True
        ) as simulated,
        HandsAtTheBench(simulated.hands),
    ):
        yield AtTheBench(simulated, ledger)


@pytest.fixture
def at(tmp_path: Path) -> Iterator[AtTheBench]:
    with at_a_bench(tmp_path) as person:
        yield person


def pull_of(finished: SampleFinished) -> PullResult:
    assert finished.pull is not None
    return finished.pull


def forces(finished: SampleFinished) -> list[tuple[int | None, str, str, str]]:
    return [
        (found.wire, found.size, found.verdict, found.note)
        for found in finished.criteria
        if found.criterion == "pull_force_min"
    ]


def test_a_force_held_for_its_minute_and_let_go_of_is_held(at: AtTheBench) -> None:
    finished = at.take(order_of(JOINT, hold=True))
    pull = pull_of(finished)
    assert (pull.end, pull.failure_mode) == ("hold", None)
    assert pull.held_s == pytest.approx(62.0, abs=0.6)
    assert forces(finished) == [(0, "18 AWG", "pass", "")]
    # 20 lbf, and a guard band above it.
    assert pull.held_n is not None
    assert 88.96 + 1.645 * pull.u_n <= pull.held_n < 95.0
    shown = [state.hold_left_s for state in at.seen if state.stage is Stage.PULLING]
    assert shown[0] is not None
    assert shown[0] > 60.0
    assert all(state.hold_n is not None for state in at.seen if state.stage is Stage.PULLING)
    assert Stage.NAME_FAILURE not in {state.stage for state in at.seen}
    assert pull.how_pulled == "Pulled: wire 1 (18 AWG), as a hold."


def test_a_force_let_go_of_after_40_s_was_not_held(
    at: AtTheBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("station.simulation.hands.HOLD_LONGER_S", -21.1)
    finished = at.take(order_of(JOINT, hold=True))
    assert pull_of(finished).held_s == pytest.approx(40.0, abs=0.6)
    assert finished.verdict == "fail"
    ((_, _, verdict, note),) = forces(finished)
    assert (verdict, note) == ("fail", NOT_HELD)


def test_a_peak_judged_by_a_held_limit_says_that_it_is_no_hold(at: AtTheBench) -> None:
    ((_, _, verdict, note),) = forces(at.take(order_of(JOINT)))
    assert verdict == "pass"
    assert note == PEAK_IS_NO_HOLD


def test_a_crimp_that_outlasts_its_tester_passes_at_least(tmp_path: Path) -> None:
    order = order_of(workshop.joint("Heron", "yellow", "12 AWG"))
    with at_a_bench(tmp_path, small_tester) as at:
        finished = at.take(order)
        truth = at.hands.specimen
        assert truth is not None
        assert truth.break_force_n > 500.0
    pull = pull_of(finished)
    assert (finished.verdict, finished.void_reason, pull.end) == ("pass", None, "at_least")
    assert pull.held_n is not None
    # 70 lbf, 311 N, are asked; the recording ends at 450 N.
    assert 440.0 < pull.held_n < 455.0
    ((*judged, note),) = forces(finished)
    assert (judged, note) == ([0, "12 AWG", "pass"], PEAK_IS_NO_HOLD)


def at_force(least_n: float, act: Callable[[], object]) -> Callable[[BenchState], None]:
    """Do something once, as soon as the pull shows a force."""
    left = [act]

    def look(state: BenchState) -> None:
        if left and state.stage is Stage.PULLING and (state.force_n or 0.0) > least_n:
            left.pop()()

    return look


def test_a_pull_stopped_on_purpose_shows_what_the_sample_bears(at: AtTheBench) -> None:
    at.bears(**STRONG)
    finished = at.take(order_of(JOINT), between=at_force(100.0, at.bench.stop_pull))
    pull = pull_of(finished)
    assert (pull.end, finished.verdict, finished.void_reason) == ("at_least", "pass", None)
    assert pull.held_n is not None
    assert 99.0 < pull.held_n < 850.0


def test_what_was_not_pulled_to_the_end_is_in_no_chart(at: AtTheBench) -> None:
    at.take(order_of(JOINT))
    at.bears(**STRONG)
    at.take(order_of(JOINT), between=at_force(100.0, at.bench.stop_pull))
    at.take(order_of(JOINT, hold=True))
    rows = at.ledger.reader.nest_samples(JOINT.tool, JOINT.nest)
    assert [row.pull_end for row in rows] == ["destructive", "at_least", "hold"]
    assert [row.peak_n is not None for row in rows] == [True, False, False]
    assert [row.pull_limit_n is not None for row in rows] == [True, False, False]
    assert all(row.pulled and row.verdict == "pass" for row in rows)
    trend = nest_trend(JOINT.tool, JOINT.nest, rows, {}, run_length=5000)
    assert trend.count == 3
    assert "Left out: 2 pulls not made to the end" in trend.sentence


def test_the_wire_that_was_pulled_is_judged_by_its_own_size(at: AtTheBench) -> None:
    at.bears(180.0)
    order = order_of(TWO_SIZES)
    ((*thin, _),) = forces(at.take(order))
    assert thin == [1, "16 AWG", "pass"]
    ((*thick, _),) = forces(at.take(order_of(TWO_SIZES, pull_wire=0)))
    assert thick == [0, "14 AWG", "fail"]
    last = at.ledger.reader.samples(limit=1)[0]
    assert last.peak_n is None, "charts show the thinner wire"


def test_each_wire_of_a_joint_may_be_pulled_and_the_worst_counts(at: AtTheBench) -> None:
    at.bears(180.0)
    order = order_of(TWO_SIZES)
    wanted = at_force(20.0, at.bench.pull_next)
    finished = at.take(order, between=wanted)
    assert [pull.wire for pull in finished.pulls] == [1, 0]
    assert [found[:3] for found in forces(finished)] == [
        (1, "16 AWG", "pass"),
        (0, "14 AWG", "fail"),
    ]
    assert finished.verdict == "fail"
    grips = {(state.wire, state.next_wire) for state in at.seen if state.stage is Stage.GRIP}
    assert grips == {(1, 0), (0, None)}
    keys = [pull.trace_sha256 for pull in finished.pulls]
    assert all(key is not None and at.ledger.reader.trace(key) is not None for key in keys)
    row = at.ledger.reader.samples(limit=1)[0]
    assert row.peak_n == pull_of(finished).peak_n
    with pytest.raises(BadInput, match="not waiting"):
        at.bench.pull_next()


def test_a_further_pull_that_does_not_count_leaves_the_first(at: AtTheBench) -> None:
    order = order_of(TWO_SIZES)

    def lose(state: BenchState) -> None:
        if state.stage is Stage.NAME_FAILURE and not state.pull_next and state.next_wire == 0:
            at.bench.pull_next()
        elif state.stage is Stage.PULLING and state.wire == 0:
            at.hands.tester.kill()

    finished = at.take(order, between=lose)
    assert (finished.verdict, finished.void_reason) == ("pass", None)
    assert [pull.wire for pull in finished.pulls] == [1]
    assert "pull tester" in (at.bench.board.state.trouble or "")


def test_what_cannot_be_judged_is_refused_before_it_is_pulled(at: AtTheBench) -> None:
    with pytest.raises(BadInput, match="no such wire"):
        at.bench.start(order_of(JOINT, pull_wire=2))
    unlike = Joint(
        connector="butt-splice-red", wires=("18 AWG", "0.5 mm2"), tool="Heron", nest="red"
    )
    with pytest.raises(NoLimit, match="judges a pull of 18 AWG"):
        at.bench.start(order_of(unlike, pull_wire=0, limit_set="qc-t-29106-2014"))
    assert at.ledger.reader.counts().entries == 0


def test_how_the_stand_pulls_goes_on_record(tmp_path: Path) -> None:
    fixture = FixtureSettings(crosshead_mm_per_min=25.0, insulation_grip="excluded")
    with at_a_bench(tmp_path, settings=Settings(fixture=fixture)) as at:
        pull = pull_of(at.take(order_of(JOINT)))
    assert (pull.crosshead_mm_per_min, pull.insulation_grip) == (25.0, "excluded")
