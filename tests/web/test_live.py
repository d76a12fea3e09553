"""The bench's snapshot in words."""

import json
from dataclasses import replace
from typing import Any

import pytest
from flask import Flask

from station.bench.board import (
    WHAT_TO_DO,
    BenchState,
    Board,
    Stage,
)
from station.crimp.facts import shipped_limit_sets
from station.crimp.limits import CriterionTable, LimitSet, LimitSets
from station.instruments.standstill import WORDS
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of
from web.live import MAX_FOLLOWING, POINTS_TO_CATCH_UP, events, live_view

SETS = shipped_limit_sets()


@pytest.mark.parametrize("stage", list(Stage))
def test_every_stage_says_what_to_do(stage: Stage) -> None:
    view = live_view(BenchState(version=3, stage=stage, force_n=90.0), SETS)
    assert (view.version, view.stage) == (3, stage.value)
    assert view.texts["todo"] == WHAT_TO_DO[stage]


def test_scrap_is_what_was_pulled() -> None:
    view = live_view(BenchState(stage=Stage.DONE), SETS)
    assert view.texts["todo"] == "Done. Nothing was pulled."


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
    order = replace(order_of("Ann Example", "red"), limit_set="ul-486a-1991")
    limit = live_view(BenchState(order=order), LimitSets([invented])).texts["limit"]
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


def read(event: str) -> dict[str, Any]:
    assert event.startswith("data: ")
    assert event.endswith("\n\n")
    found: dict[str, Any] = json.loads(event.removeprefix("data: "))
    return found


def test_a_possible_slip_is_asked_about_and_primes_no_cause() -> None:
    state = BenchState(stage=Stage.NAME_FAILURE, may_have_slipped=True)
    view = live_view(state, SETS)
    assert "look at the grips" in view.texts["slip"]
    assert (view.suggested_mode, view.texts["suggestion"]) == ("", "")


def test_the_first_event_tells_all_and_the_next_what_came_since(bench: BenchAtHand) -> None:
    board = Board()
    board.trace.begin()
    for step in range(5000):
        board.trace.add(100.0 + step / 1000.0, float(step % 100))
    board.show(stage=Stage.PULLING, order=order_of("Bo Invented", "blue"))
    stream = events(board, bench.limit_sets, "now")
    assert next(stream) == "retry: 1000\n\n"
    first = read(next(stream))
    assert first["stage"] == "pulling"
    assert first["anew"]
    assert 2 <= len(first["points"]) <= POINTS_TO_CATCH_UP
    assert first["points"][0][0] == 0.0
    assert max(force for _, force in first["points"]) == 99.0
    assert first["limit_n"] > 0.0
    board.trace.add(105.5, 250.0)
    board.show(peak_n=250.0)
    second = read(next(stream))
    assert not second["anew"]
    assert second["points"] == [[5.5, 250.0]]


def test_another_pull_begins_its_curve_anew(bench: BenchAtHand) -> None:
    board = Board()
    board.trace.begin()
    board.trace.add(1.0, 5.0)
    board.show(stage=Stage.PULLING)
    stream = events(board, bench.limit_sets, "now")
    next(stream)
    assert read(next(stream))["points"] == [[0.0, 5.0]]
    board.trace.begin()
    board.trace.add(50.0, 7.0)
    board.show(stage=Stage.PULLING)
    later = read(next(stream))
    assert (later["anew"], later["points"]) == (True, [[0.0, 7.0]])


def test_followers_beyond_the_most_are_sent_away_and_places_are_given_back(app: Flask) -> None:
    with app.test_client() as client:
        following = [client.get("/bench/events", buffered=False) for _ in range(MAX_FOLLOWING)]
        assert {answer.status_code for answer in following} == {200}
        assert following[0].mimetype == "text/event-stream"
        assert client.get("/bench/events").status_code == 503
        following.pop().close()
        again = client.get("/bench/events", buffered=False)
        assert again.status_code == 200
        for answer in (*following, again):
            answer.close()


def test_the_stream_ends_with_the_sign_in(bench: BenchAtHand) -> None:
    signed_in = [True]
    board = Board()
    stream = events(board, bench.limit_sets, "now", lambda: signed_in[0])
    next(stream)
    assert read(next(stream))["stage"] == "idle"
    signed_in[0] = False
    board.show(stage=Stage.GRIP)
    assert list(stream) == []
