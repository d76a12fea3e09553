"""No stranger stops the page or the pull: floods of connections, and the watchdog's own door."""

import http.client
import os
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from types import SimpleNamespace
from typing import Any, cast

import pytest
from flask import Flask

from station.bench.bench import Bench
from station.bench.board import Board, Stage
from station.cli.page_server import CONNECTIONS, CONNECTIONS_OF_ONE_ADDRESS, WORK_WITHIN_S
from station.cli.serving import Health
from station.settings import Settings
from tests.web.at_port import PATIENCE_S, at_port

HALF_OPEN = int(os.environ.get("HALF_OPEN", "150"))
SILENT = int(os.environ.get("SILENT", "300"))
HOLD_S = float(os.environ.get("HOLD_S", "0"))
STRANGERS = ("127.0.0.2", "127.0.0.3", "127.0.0.4")


@pytest.fixture
def app() -> Flask:
    app = Flask(__name__)
    app.config["MAX_CONTENT_LENGTH"] = 1000
    app.extensions["station"] = SimpleNamespace(bench=SimpleNamespace(settings=Settings()))
    app.add_url_rule("/", view_func=lambda: "here")
    return app


@contextmanager
def strangers(port: int) -> Iterator[list[socket.socket]]:
    """Connections that ask half a question or nothing, from a few addresses."""
    with ExitStack() as stack:
        lines = []
        for number in range(HALF_OPEN + SILENT):
            source = (STRANGERS[number % len(STRANGERS)], 0)
            line = socket.create_connection(("127.0.0.1", port), PATIENCE_S, source)
            stack.enter_context(closing(line))
            if number < HALF_OPEN:
                line.sendall(b"GET / HTTP/1.1\r\nHost: loc")
            lines.append(line)
        yield lines


def answered_in_s(port: int) -> float:
    begun_s = time.perf_counter()
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)) as asked:
        asked.request("GET", "/")
        answer = asked.getresponse()
        assert (answer.status, answer.read()) == (200, b"here")
    return time.perf_counter() - begun_s


def test_the_page_answers_while_strangers_hold_connections(app: Flask) -> None:
    with at_port(app) as (port, server), strangers(port):
        until_s = time.monotonic() + HOLD_S
        slowest_s = answered_in_s(port)
        while time.monotonic() < until_s:
            slowest_s = max(slowest_s, answered_in_s(port))
            assert server.trouble() is None
        print(f"slowest answer {slowest_s:.3f} s of {HALF_OPEN} half-open, {SILENT} silent")
        assert slowest_s < 2.0
        assert server.trouble() is None
        most = len(STRANGERS) * CONNECTIONS_OF_ONE_ADDRESS
        assert len(server.active_channels) <= min(CONNECTIONS, most) + 5


def connection(address: str, age_s: float, busy: bool = False) -> Any:
    requests = [object()] if busy else []
    return SimpleNamespace(
        addr=(address, 1), creation_time=-age_s, requests=requests, will_close=False
    )


def test_the_oldest_idle_connection_of_the_crowd_makes_room(app: Flask) -> None:
    with at_port(app) as (_, server):
        own = [connection("a", age_s) for age_s in range(CONNECTIONS_OF_ONE_ADDRESS)]
        server.active_channels = dict(enumerate(own))
        assert server.make_room("b")
        assert not any(one.will_close for one in own)
        assert server.make_room("a")
        assert [one.will_close for one in own] == [False] * (len(own) - 1) + [True]
        busy = [connection("a", 1.0, busy=True) for _ in own]
        server.active_channels = dict(enumerate(busy))
        assert not server.make_room("a")
        many = [connection(f"c{number % 9}", 1.0) for number in range(CONNECTIONS)]
        many += [connection("c0", 2.0)]
        server.active_channels = dict(enumerate(many))
        assert server.make_room("b")
        assert [one for one in many if one.will_close] == [many[-1]]
        server.active_channels = {}


def test_a_server_that_does_nothing_any_more_is_in_trouble(
    app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    with at_port(app) as (port, server):
        answered_in_s(port)
        assert server.trouble() is None
        now_s = time.monotonic()
        with monkeypatch.context() as later:
            later.setattr(server, "task_dispatcher", SimpleNamespace(queue=[1]))
            later.setattr(server, "_turn_s", now_s + 1000.0)
            for after_s, wrong in (
                (0.0, False),
                (WORK_WITHIN_S - 5.0, False),
                (WORK_WITHIN_S + 1.0, True),
            ):
                later.setattr("time.monotonic", lambda at_s=now_s + after_s: at_s)
                assert (server.trouble() is not None) is wrong
            server.served += 1
            assert server.trouble() is None
            later.setattr(server, "_turn_s", now_s)
            assert "does not answer" in (server.trouble() or "")


def test_a_restart_never_comes_in_mid_pull(monkeypatch: pytest.MonkeyPatch) -> None:
    board, wrong = Board(), ["The page does not answer."]
    health = Health(cast(Bench, SimpleNamespace(board=board)), lambda: wrong[0], None)
    assert health() == wrong[0]
    board.show(stage=Stage.PULLING)
    assert health() is None
    board.show(stage=Stage.NAME_FAILURE)
    assert health() == wrong[0]
    board.show(stage=Stage.PULLING)
    monkeypatch.setattr("time.monotonic", lambda: float("inf"))
    assert health() == wrong[0]
