"""A pull under a flood of connections, through the whole station with simulated instruments.

The suite holds the flood for as long as one pull takes. In full, as it was asked for:
``HALF_OPEN=500 SILENT=1000 FOLLOWERS=1000 HOLD_S=60 python -m pytest -s
tests/station/cli/test_flood.py``.
"""

import http.cookiejar
import json
import os
import re
import resource
import select
import shutil
import socket
import threading
import time
import urllib.parse
import urllib.request
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from station.simulation import workshop
from tests.station.cli.test_page_server import HALF_OPEN, HOLD_S, SILENT, STRANGERS
from tests.station.cli.test_serve import PATIENCE_S, Served
from web.format import place

ANSWERS_WITHIN_S = 2.0
STARTED_ANEW_AFTER_S = 30.0
"""WatchdogSec of firmware_notes/service/crimp-station.service."""
FOLLOWERS = int(os.environ.get("FOLLOWERS", "50"))
"""Who ask for the live page as it changes, and never read it."""
MOST_VOID = 4
ALL = HALF_OPEN + SILENT + FOLLOWERS
FOLLOWING = b"GET /bench/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
HALF_A_QUESTION = b"GET /bench HTTP/1.1\r\nHost: loc"


class Flood:
    """Holds so many connections from a few addresses; each that is closed is opened anew."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._lines: deque[socket.socket] = deque()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._hold, name="flood")
        self.full = threading.Event()
        self.opened = 0

    def __enter__(self) -> "Flood":
        self._thread.start()
        return self

    def __exit__(self, *exception: object) -> None:
        self._stopping.set()
        self._thread.join(PATIENCE_S)
        while self._lines:
            self._lines.pop().close()

    def _open(self) -> None:
        source = (STRANGERS[self.opened % len(STRANGERS)], 0)
        line = socket.create_connection(("127.0.0.1", self._port), PATIENCE_S, source)
        if (place := self.opened % ALL) < HALF_OPEN:
            line.sendall(HALF_A_QUESTION)
        elif place < HALF_OPEN + FOLLOWERS:
            line.sendall(FOLLOWING)
        self.opened += 1
        self._lines.append(line)

    def _hold(self) -> None:
        while not self._stopping.is_set():
            while len(self._lines) < ALL and not self._stopping.is_set():
                self._open()
            self.full.set()
            watch = select.poll()
            for line in self._lines:
                watch.register(line, select.POLLRDHUP)
            closed = {number for number, _ in watch.poll(100)}
            for line in [one for one in self._lines if one.fileno() in closed]:
                self._lines.remove(line)
                line.close()


class AtTheBench:
    """A person with a browser at the bench's own screen, who notes how long each answer takes."""

    def __init__(self, address: str) -> None:
        self._address = address
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self._browser = urllib.request.build_opener(cookies)
        self.slowest_s = 0.0

    def ask(self, path: str, form: dict[str, str] | None = None) -> str:
        data = None if form is None else urllib.parse.urlencode(form).encode()
        begun_s = time.perf_counter()
        with self._browser.open(f"http://{self._address}{path}", data, PATIENCE_S) as answer:
            text = str(answer.read().decode())
        # A question that waits for news takes as long as there are none.
        if "beyond" not in path and form is None:
            self.slowest_s = max(self.slowest_s, time.perf_counter() - begun_s)
        return text

    def send(self, path: str, **form: str) -> str:
        token = re.search(r'name="csrf_token" value="([^"]+)"', self.ask("/bench"))
        assert token is not None
        return self.ask(path, form | {"csrf_token": token[1]})

    def until(self, *stages: str) -> dict[str, str]:
        """Wait for news until the bench is at one of these stages."""
        version = -1
        while True:
            state: dict[str, str] = json.loads(self.ask(f"/bench/state?beyond={version}"))
            if state["stage"] in stages:
                return state
            version = int(state["version"])


@contextmanager
def fewer_files(soft: int) -> Iterator[None]:
    """Start programs with as many files as an ordinary service may open."""
    usual = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(soft, usual[1]), usual[1]))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (usual[1], usual[1]))


@pytest.fixture
def demo(filled: Path, tmp_path: Path) -> Iterator[Served]:
    ledger = str(shutil.copy(filled, tmp_path))
    command = ("demo", "--port", "0", "--ledger", ledger)
    with fewer_files(1024):
        station = Served(tmp_path, "", command=command, WATCHDOG_USEC="400000")
    yield station
    station.close()


def take_sample(bench: AtTheBench) -> dict[str, str]:
    """Work one sample through the page; what the bench shows at its end."""
    joint = workshop.joint("Heron", "red", "18 AWG")
    bench.send(
        "/bench", person="Benno", job="daily_check", place=place("Heron", "red"),
        connector=joint.connector, wire=joint.wires[0], wire2="", material=joint.material,
        limit_set="",
    )  # fmt: skip
    bench.until("clip_on")
    bench.send("/bench/looks", rest="yes")
    bench.send("/bench/confirm")
    bench.until("grip")
    bench.send("/bench/confirm")
    pulling = bench.until("pulling", "name_failure")
    while pulling["stage"] == "pulling":
        # Whoever looks on asks for other pages meanwhile.
        bench.ask("/bench")
        bench.ask("/")
        pulling = json.loads(bench.ask("/bench/state"))
    if pulling["stage"] == "name_failure":
        bench.send("/bench/failure", mode="broke_at_edge")
    return bench.until("done")


def test_a_pull_ends_well_and_the_page_answers_under_a_flood(demo: Served) -> None:
    address = demo.until("Ctrl-C").split("http://")[1].split("/")[0]
    told: list[tuple[float, str]] = []

    def read() -> None:
        told.extend((time.monotonic(), message) for message in iter(demo.told, "STOPPING=1"))

    # Read as it comes, as systemd does: a sender waits where nobody reads.
    reading = threading.Thread(target=read)
    reading.start()
    bench = AtTheBench(address)
    started = json.loads(bench.ask("/bench/state"))["started"]
    for path in ("/", "/bench") * 3:
        bench.ask(path)
    # A computer that is busy with other things is slow without any flood.
    before_s = bench.slowest_s
    until_s, taken, void = time.monotonic() + HOLD_S, 0, 0
    with Flood(int(address.rpartition(":")[2])) as flood:
        assert flood.full.wait(PATIENCE_S)
        while not taken or time.monotonic() < until_s:
            done = take_sample(bench)
            taken += done["verdict"] in ("pass", "fail", "undecided")
            # A simulated tester that gets no time loses lines, as no real one does.
            void += done["verdict"] == "void"
            assert void <= MOST_VOID, done
        opened = flood.opened
    # The same station still, which never was without a sign of life for so long that the shipped
    # unit would start it anew.
    assert json.loads(bench.ask("/bench/state"))["started"] == started
    assert demo.process.poll() is None
    assert demo.end() == 0
    reading.join(PATIENCE_S)
    alive = [at_s for at_s, message in told if message in ("READY=1", "WATCHDOG=1")]
    without_s = max(after - before for before, after in pairwise(alive))
    assert without_s < STARTED_ANEW_AFTER_S
    print(
        f"{taken} samples ({void} void) under {HALF_OPEN} half-open and {SILENT} silent "
        f"connections and {FOLLOWERS} followers, {opened} "
        f"opened in all; slowest answer {bench.slowest_s:.2f} s, before it {before_s:.2f} s, "
        f"{len(alive)} signs of life, at most {without_s:.2f} s apart"
    )
    assert bench.slowest_s < max(ANSWERS_WITHIN_S, 3.0 * before_s)
