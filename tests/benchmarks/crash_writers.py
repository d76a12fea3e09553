"""Three writers on one ledger, and three hundred sudden deaths among them.

Each child process appends samples with their traces as fast as it can and says each entry's number
and hash once it is acknowledged. One of the three after the other is ended by SIGKILL, at a random
instant of a short life, and takes its place again. Every sixtieth time, and at the end, the whole
ledger is verified, what pages show included.

Stated bounds: 300 kills; no acknowledged entry is missing or another than was said; every verify
is sound. As for `crash`: a kill ends the process, not the computer.
"""

import os
import random
import select
import signal
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import IO

import numpy as np

from station.ledger.entries import SampleBegun, SampleFinished
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.ledger.verify import verify_ledger
from tests.benchmarks.report import Figures, run
from tests.station.ledger.invented_entries import JOINT, PULL

KILLS = 300
WRITERS = 3
LIFE_S = 0.4
"""Longest life of a writer after its first word."""
VERIFY_EVERY = 60
PATIENCE_S = 60.0


def write(path: Path, name: str, say: IO[bytes]) -> None:
    """Append samples without end."""
    rng = np.random.default_rng()
    with Ledger.open(path, busy_timeout_s=PATIENCE_S) as ledger:
        while True:
            begun = SampleBegun(job="check", joint=JOINT, limit_set="shop")
            sample = ledger.append(begun, person=name)
            say.write(f"{sample.seq}:{sample.hash}\n".encode())
            data = encode_trace(np.linspace(0.0, 2.0, 200), rng.uniform(0.0, 120.0, 200))
            key = trace_key(data)
            finished = SampleFinished(
                sample_id=sample.id, job="check", joint=JOINT, limit_set="shop",
                limit_standing="shop", guard=1.645, checklist={}, resistance=None,
                pull=PULL.model_copy(update={"trace_sha256": key}), criteria=(), verdict="pass",
            )  # fmt: skip
            done = ledger.append(finished, person=name, traces={key: data})
            say.write(f"{done.seq}:{done.hash}\n".encode())


class Writer:
    """One child after the other, under one name."""

    def __init__(self, path: Path, name: str) -> None:
        self._path, self._name = path, name
        self.said: list[bytes] = []
        self._begin()

    def _begin(self) -> None:
        self._words, word = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            os.close(self._words)
            with suppress(BaseException), os.fdopen(word, "wb", buffering=0) as say:
                write(self._path, self._name, say)
            os._exit(1)
        os.close(word)

    def kill(self, after_s: float) -> None:
        """Let it say its first word and live so long, end it, hear it out, begin another."""
        if not select.select([self._words], [], [], PATIENCE_S)[0]:
            raise TimeoutError(f"{self._name} wrote nothing for a long time")
        time.sleep(after_s)
        self.end()
        self._begin()

    def end(self) -> None:
        """End it for good."""
        os.kill(self._child, signal.SIGKILL)
        _, status = os.waitpid(self._child, 0)
        if not os.WIFSIGNALED(status):
            raise RuntimeError(f"{self._name} ended by itself")
        heard = b""
        while more := os.read(self._words, 65_536):
            heard += more
        os.close(self._words)
        self.said += heard.split(b"\n")[:-1]


def measure() -> Figures:
    rng = random.Random(23)
    begun_s = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.ledger"
        Ledger.open(path).close()
        writers = [Writer(path, name) for name in ("Ada", "Bea", "Cid")]
        not_sound = 0
        for number in range(1, KILLS + 1):
            rng.choice(writers).kill(rng.uniform(0.0, LIFE_S))
            if number % VERIFY_EVERY == 0:
                not_sound += verify_ledger(path).fault is not None
        for writer in writers:
            writer.end()
        report = verify_ledger(path)
        with LedgerReader.open(path) as reader:
            written = {f"{entry.seq}:{entry.hash}" for entry in reader.entries()}
        said = [word.decode() for writer in writers for word in writer.said]
    missing = len(set(said) - written)
    figures = {
        "writers": WRITERS,
        "kills": KILLS,
        "entries": report.entries,
        "acknowledged": len(said),
        "acknowledged_and_missing": missing,
        "not_sound": not_sound + (report.fault is not None),
        "fault": report.fault,
        "seconds": time.perf_counter() - begun_s,
    }
    holds = missing == 0 and not_sound == 0 and report.fault is None and len(said) > KILLS
    return Figures("crash_writers", figures, holds)


if __name__ == "__main__":
    run(measure)
