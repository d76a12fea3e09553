"""A fast stream for a minute, and a backlog: is a line lost, and what does reading cost?

Stated bounds: 1000 lines a second for 60 s with none lost by its counter while the page is polled;
on a backlog at least 0.3 of the lines per second of bare chunked reading and splitting, and at
least 10 times those of ``readline``. Over pseudo-terminals, so without a real adapter's limits.
"""

import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import serial
import waitress.server

from station.instruments.dialects import LineSettings
from station.instruments.force_lines import ForceLines
from station.instruments.port import LinePort
from station.instruments.profiles import load_tester_profile
from station.ledger.store import Ledger
from station.simulation.launch import SimulatedInstrument
from tests.benchmarks.report import Figures, run
from tests.web.benches import BenchAtHand
from web import create_app

STREAM_S = 60.0
RATE_HZ = 1000.0
POLL_S = 0.2
BACKLOG_LINES = 300_000
READLINE_LINES = 60_000
FEWEST_OF_BARE = 0.3
FEWEST_OF_READLINE = 10.0

_LINE = LineSettings(baud=115_200, receive_end="\r\n")
_BLOCK = b"1234,+56.78\r\n" * 1000
_LINE_BYTES = len(_BLOCK) // 1000
_FLOOD = """
import os, sys, tty
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
sys.stdin.readline()
block = b"1234,+56.78\\r\\n" * 1000
while True:
    os.write(master, block)
"""


@contextmanager
def flood() -> Iterator[tuple[str, Callable[[], None]]]:
    """A far end that writes as fast as it is read; yields its port and what starts it."""
    process = subprocess.Popen(
        [sys.executable, "-c", _FLOOD], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    with process:
        assert process.stdin is not None
        assert process.stdout is not None
        stdin = process.stdin

        def start() -> None:
            stdin.write(b"\n")
            stdin.flush()

        yield process.stdout.readline().decode().strip(), start
        process.kill()


def bare_lines_per_s() -> float:
    with flood() as (url, start), serial.Serial(url, 115_200, timeout=1.0) as port:
        start()
        count, partial, begun_s = 0, b"", time.perf_counter()
        while count < BACKLOG_LINES:
            *lines, partial = (partial + port.read(max(1, port.in_waiting))).split(b"\r\n")
            count += len(lines)
        return count / (time.perf_counter() - begun_s)


def readline_lines_per_s() -> float:
    with flood() as (url, start), serial.Serial(url, 115_200, timeout=1.0) as port:
        start()
        begun_s = time.perf_counter()
        for _ in range(READLINE_LINES):
            port.readline()
        return READLINE_LINES / (time.perf_counter() - begun_s)


def all_waiting(port: LinePort) -> int:
    """Take at once all lines that wait; return how many they were."""
    with port._changed:
        chunks, port._chunks, port._waiting = port._chunks, deque(), 0
    return sum(type(line) is bytes for _, lines in chunks for line in lines)


def reader_lines_per_s() -> float:
    with flood() as (url, start), LinePort(url, _LINE, name="flood") as port:
        start()
        count, begun_s = 0, time.perf_counter()
        while count < BACKLOG_LINES:
            taken = all_waiting(port)
            count += taken
            if not taken:
                time.sleep(0.002)
        return count / (time.perf_counter() - begun_s)


def next_line_per_s() -> float:
    """As a pull reads: line by line, each with its time."""
    with flood() as (url, start), LinePort(url, _LINE, name="flood") as port:
        start()
        port.next_line(5.0)
        begun_s = time.perf_counter()
        for _ in range(READLINE_LINES):
            port.next_line(5.0)
        return READLINE_LINES / (time.perf_counter() - begun_s)


@contextmanager
def polled_page() -> Iterator[list[float]]:
    """A page with an empty ledger, asked again and again; yields the answering times in s."""
    answers: list[float] = []
    done = threading.Event()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stream.ledger"
        with Ledger.open(path) as ledger:
            app = create_app(BenchAtHand(ledger), testing=True)
            server = waitress.server.create_server(app, host="127.0.0.1", port=0, threads=8)
            url = f"http://127.0.0.1:{server.effective_port}/bench"
            serving = threading.Thread(target=server.run, daemon=True)

            def poll() -> None:
                while not done.wait(POLL_S):
                    begun_s = time.perf_counter()
                    with urllib.request.urlopen(url) as answer:
                        answer.read()
                    answers.append(time.perf_counter() - begun_s)

            polling = threading.Thread(target=poll)
            serving.start()
            polling.start()
            try:
                yield answers
            finally:
                done.set()
                polling.join()
                server.close()


def stream() -> dict[str, float]:
    profile = load_tester_profile("tester-line-protocol")
    lines = ForceLines(profile, "stream")
    arguments = ("--baud", "921600")
    read, last, first = 0, 0, 0
    with (
        polled_page() as answers,
        SimulatedInstrument(
            "pull_tester", profile="tester-line-protocol", arguments=arguments
        ) as tester,
        LinePort(tester.port, profile.line, name="stream") as port,
    ):
        port.next_line(5.0)
        begun_s, begun_cpu_s = time.perf_counter(), time.process_time()
        while time.perf_counter() - begun_s < STREAM_S:
            line = port.next_line(5.0)
            sample = lines.read(line.data, line.at_s)
            if sample is not None:
                first, last, read = (sample.index if not read else first), sample.index, read + 1
        seconds = time.perf_counter() - begun_s
        share = (time.process_time() - begun_cpu_s) / seconds
    return {
        "stream_seconds": seconds,
        "stream_lines": read,
        "stream_lines_per_s": read / seconds,
        "stream_lines_lost": last - first + 1 - read,
        "processor_share_with_page": share,
        "page_answers": len(answers),
        "page_slowest_ms": 1000 * max(answers, default=float("nan")),
    }


def measure() -> Figures:
    figures = stream()
    bare, reader, readline = bare_lines_per_s(), reader_lines_per_s(), readline_lines_per_s()
    figures |= {
        "bare_lines_per_s": bare,
        "reader_lines_per_s": reader,
        "readline_lines_per_s": readline,
        "line_by_line_per_s": next_line_per_s(),
        "reader_of_bare": reader / bare,
        "reader_of_readline": reader / readline,
    }
    holds = (
        figures["stream_lines_lost"] == 0
        and figures["stream_lines_per_s"] > 0.99 * RATE_HZ
        and reader / bare >= FEWEST_OF_BARE
        and reader / readline >= FEWEST_OF_READLINE
    )
    return Figures("serial_stream", figures, holds)


if __name__ == "__main__":
    run(measure)
