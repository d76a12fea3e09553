"""The bench's snapshot in words."""

import pytest

from station.bench.board import WHAT_TO_DO, BenchState, Stage
from station.crimp.facts import shipped_limit_sets
from station.crimp.limits import CriterionTable, LimitSet, LimitSets
from station.instruments.standstill import WORDS
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint
from tests.web.invented import order_of
from web.live import live_view

SETS = shipped_limit_sets()


@pytest.mark.parametrize("stage", list(Stage))
def test_every_stage_says_what_to_do(stage: Stage) -> None:
    view = live_view(BenchState(version=3, stage=stage), SETS)
    assert (view.version, view.stage) == (3, stage.value)
    assert view.texts["todo"] == WHAT_TO_DO[stage]


def test_idle_bench_shows_nothing_else() -> None:
    texts = live_view(BenchState(), SETS).texts
    assert {name for name, text in texts.items() if text} == {"todo"}


def test_limit_is_that_of_the_weakest_wire() -> None:
    joint = Joint(connector="butt-splice-red", wires=("18 AWG", "22 AWG"), tool="t", nest="n")
    state = BenchState(order=SampleOrder("Ann Example", "daily_check", joint, "ul-486a-1991"))
    # UL 486A pull table, 22 AWG: 8 lbf [seen-3].
    assert live_view(state, SETS).texts["limit"] == "35.6 N (8.0 lbf) for 22 AWG"


def test_limit_from_memory_says_so() -> None:
    table = CriterionTable(criterion="pull_force_min", unit="N", rows={"18 AWG": 10.0})
    invented = LimitSet(
        id="ul-486a-1991",
        title="Invented",
        source="made up for this test",
        edition="none",
        standing="memory",
        insulation_grip="not stated",
        pull_kind="not stated",
        criteria=(table,),
    )
    state = BenchState(order=order_of("Ann Example", "red"))
    limit = live_view(state, LimitSets([invented])).texts["limit"]
    assert limit.endswith("(unverified, from memory)")


def test_limit_that_is_missing_leaves_its_line_empty() -> None:
    joint = Joint(connector="c", wires=("18 AWG",), tool="t", nest="n")
    state = BenchState(order=SampleOrder("Ann Example", "daily_check", joint, "no-such-set"))
    assert live_view(state, SETS).texts["limit"] == ""


def test_reading_says_that_wire_is_in_it() -> None:
    state = BenchState(resistance_readings_ohm=(2.0e-3, 2.1e-3))
    words = live_view(state, SETS).texts["reading"]
    assert words == "2.100 mΩ (wire included; reading 2)"


@pytest.mark.parametrize("seen", sorted(WORDS))
def test_a_force_that_stands_still_is_said_during_the_pull_alone(seen: str) -> None:
    limit_sets = shipped_limit_sets()
    state = BenchState(stage=Stage.PULLING, standstill=seen)
    assert live_view(state, limit_sets).texts["standstill"] == WORDS[seen]
    for other in (BenchState(stage=Stage.DONE, standstill=seen), BenchState(stage=Stage.PULLING)):
        assert live_view(other, limit_sets).texts["standstill"] == ""
