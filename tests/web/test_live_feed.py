"""The bench as a stream of events."""

import json
from typing import Any

from flask import Flask

from station.bench.board import Board, Stage
from tests.web.fake_bench import FakeBench
from tests.web.invented import order_of
from web.live_feed import MAX_FOLLOWING, POINTS_TO_CATCH_UP, events


def read(event: str) -> dict[str, Any]:
    assert event.startswith("data: ")
    assert event.endswith("\n\n")
    found: dict[str, Any] = json.loads(event.removeprefix("data: "))
    return found


def test_the_first_event_tells_all_and_the_next_what_came_since(bench: FakeBench) -> None:
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


def test_another_pull_begins_its_curve_anew(bench: FakeBench) -> None:
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


def test_the_stream_ends_with_the_sign_in(bench: FakeBench) -> None:
    signed_in = [True]
    board = Board()
    stream = events(board, bench.limit_sets, "now", lambda: signed_in[0])
    next(stream)
    assert read(next(stream))["stage"] == "idle"
    signed_in[0] = False
    board.show(stage=Stage.GRIP)
    assert list(stream) == []
