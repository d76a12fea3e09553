"""Hundreds of sudden deaths while samples go through the real bench into one ledger.

A child process takes samples on simulated instruments, over pseudo-terminals and with no waiting,
and says so once a sample's entry is acknowledged. It is ended by SIGKILL: at a random instant of
its life, or, every second time, within the few milliseconds in which a sample is written. Then the
whole ledger is verified and the next child goes on with it. Every tenth child is ended in good
order instead, so that starts after a kill can be compared with normal ones.

Stated bounds: no acknowledged sample is missing, the ledger verifies every time, at most the one
sample under way is left open, and the station is ready again in the time of a normal start (ratio
of medians at most 1.25, our own allowance for the scatter of this machine).

A kill ends the process, not the computer: what the operating system had taken is kept. That
SQLite asks for every commit to be on the disk (synchronous FULL) is held by a test of its own.
"""

import os
import random
import select
import signal
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import IO

import numpy as np

from station.bench.board import Board, Stage
from station.bench.operator import SampleAbandoned
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import SampleFinished
from station.ledger.in_use import ledger_in_use
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import InstrumentSettings, Settings
from station.simulation import workshop
from station.simulation.hands import SimulatedHands, once_recorded
from station.simulation.history import METER_PROFILE, TESTER_PROFILE
from station.simulation.launch import SimulatedInstrument
from tests.benchmarks.invented_ledger import simulated_bench
from tests.benchmarks.report import Figures, run

KILLS = 500
NORMAL_ENDS = 50
LIFE_S = 0.6
"""Longest life of a child that is killed at any instant, after it was ready."""
WRITING_S = 0.006
"""How long after the last word of the operator a child is killed at the latest."""
ALLOWANCE = 1.25
PATIENCE_S = 60.0
ORDER = SampleOrder(
    "Benno", "daily_check", workshop.joint("Heron", "red", "18 AWG"), workshop.LIMIT_SET
)


# ---- the child ---------------------------------------------------------------------------------


class AskTheParent:
    """An operator whose hands are in the parent process, which also decides when to stop."""

    def __init__(self, board: Board, ask: IO[bytes], answers: IO[bytes]) -> None:
        self.stop = threading.Event()
        self._board = board
        self._ask = ask
        self._answers = answers

    def _asked(self, what: str) -> str:
        self._ask.write(f"{what}\n".encode())
        return self._answers.readline().decode().strip()

    def clips_on(self) -> None:
        if self._asked("clip") == "stop":
            raise SampleAbandoned("the benchmark ends here")

    def sample_gripped(self) -> None:
        threading.Thread(target=self._have_it_pulled, daemon=True).start()

    def _have_it_pulled(self) -> None:
        if once_recorded(self._board).stage is Stage.PULLING:
            self._ask.write(b"pull\n")

    def failure_mode(self, suggested: str | None) -> str:
        return self._asked("mode")


def work(path: Path, settings: Settings, ask: IO[bytes], answers: IO[bytes]) -> None:
    """Start a station, say when it is ready, and take samples until told to stop."""
    begun_s = time.perf_counter()
    with ledger_in_use(path), Ledger.open(path) as ledger:
        bench = simulated_bench(ledger, settings)
        left_open = ledger.reader.unfinished()
        ask.write(f"ready {time.perf_counter() - begun_s} {len(left_open)}\n".encode())
        for row in left_open:
            bench.void_unfinished(row.sample_id, row.person, "the station stopped")
            ask.write(f"acknowledged {row.sample_id}\n".encode())
        operator = AskTheParent(bench.board, ask, answers)
        going_on = True
        while going_on:
            try:
                outcome = bench.take_sample(ORDER, operator)
            except SampleAbandoned:
                going_on = False
                continue
            ask.write(f"acknowledged {outcome.sample_id}\n".encode())
            if outcome.error is not None:
                ask.write(f"trouble {outcome.error}\n".encode())
        bench.close()


class Hands(SimulatedHands):
    """Hands that also clear the bench after a station that died in the middle of a pull."""

    def clear(self) -> None:
        """Take the sample off both instruments, so that they stand still."""
        for instrument in (self.meter, self.tester):
            instrument.command({"unmount": True})


# ---- the parent --------------------------------------------------------------------------------


@dataclass
class Life:
    """How one child is to end, and what it said before."""

    kill_after_s: float | None = None
    kill_after_mode_s: float | None = None
    start_s: float = 0.0
    left_open: int = 0
    acknowledged: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    killed_writing: bool = False

    @property
    def ends_well(self) -> bool:
        """Whether it is not killed."""
        return self.kill_after_s is None and self.kill_after_mode_s is None


class Parent:
    """Lets one child after the other live on the same ledger."""

    def __init__(self, path: Path, settings: Settings, hands: Hands) -> None:
        self._path = path
        self._settings = settings
        self._hands = hands

    def live(self, life: Life) -> None:
        """Start a child and see it to its end."""
        self._hands.clear()
        ask_read, ask_write = os.pipe()
        answer_read, answer_write = os.pipe()
        child = os.fork()
        if child == 0:
            code = 1
            try:
                os.close(ask_read)
                os.close(answer_write)
                with (
                    os.fdopen(ask_write, "wb", buffering=0) as ask,
                    os.fdopen(answer_read, "rb", buffering=0) as answers,
                ):
                    work(self._path, self._settings, ask, answers)
                code = 0
            except Exception:  # printed here, or nobody would see it
                traceback.print_exc()
            finally:
                os._exit(code)
        os.close(ask_write)
        os.close(answer_read)
        try:
            with os.fdopen(answer_write, "wb", buffering=0) as answers:
                self._attend(child, ask_read, answers, life)
        except BaseException:
            os.kill(child, signal.SIGKILL)
            raise
        finally:
            _, status = os.waitpid(child, 0)
            # What it said between the last look and its end counts as well.
            for line in _lines(ask_read):
                self._note(line, life)
            os.close(ask_read)
        if life.ends_well and os.waitstatus_to_exitcode(status) != 0:
            raise RuntimeError("a station that was not killed did not end well")

    def _attend(self, child: int, words: int, answers: IO[bytes], life: Life) -> None:
        killer: threading.Timer | None = None
        said = b""
        try:
            while True:
                if not select.select([words], [], [], PATIENCE_S)[0]:
                    raise TimeoutError("the station said nothing for a long time")
                more = os.read(words, 4096)
                if not more:
                    return
                *lines, said = (said + more).split(b"\n")
                for line in map(bytes.decode, lines):
                    if line.startswith("ready") and life.kill_after_s is not None:
                        killer = threading.Timer(
                            life.kill_after_s, os.kill, (child, signal.SIGKILL)
                        )
                        killer.start()
                    self._note(line, life)
                    if not self._act(child, line, answers, life):
                        return
        except BrokenPipeError:
            return
        finally:
            if killer is not None:
                killer.join()

    def _act(self, child: int, line: str, answers: IO[bytes], life: Life) -> bool:
        """Do what the child asks for; return whether it lives on."""
        if line == "clip":
            if life.ends_well and life.acknowledged:
                answers.write(b"stop\n")
                return True
            self._hands.clip_on(ORDER.joint)
            answers.write(b"done\n")
        elif line == "pull":
            self._hands.pull()  # the answer is the force that the child sees
        elif line == "mode":
            answers.write(f"{self._hands.failure_mode()}\n".encode())
            if life.kill_after_mode_s is not None:
                # Shorter than a sleep is exact.
                until_s = time.perf_counter() + life.kill_after_mode_s
                while time.perf_counter() < until_s:
                    pass
                os.kill(child, signal.SIGKILL)
                life.killed_writing = True
                return False
        return True

    @staticmethod
    def _note(line: str, life: Life) -> None:
        word, _, rest = line.partition(" ")
        if word == "ready":
            start, left_open = rest.split()
            life.start_s, life.left_open = float(start), int(left_open)
        elif word == "acknowledged":
            life.acknowledged.append(rest)
        elif word == "trouble":
            life.troubles.append(rest)


def _lines(words: int) -> Iterator[str]:
    left = b""
    while more := os.read(words, 4096):
        left += more
    whole, _, _ = left.rpartition(b"\n")
    yield from filter(None, whole.decode().split("\n"))


def lives(rng: random.Random) -> Iterator[Life]:
    """How every child is to end."""
    normal_every = KILLS // NORMAL_ENDS
    for number in range(KILLS):
        if number % normal_every == 0:
            yield Life()
        if number % 2:
            yield Life(kill_after_mode_s=rng.uniform(0.0, WRITING_S))
        else:
            yield Life(kill_after_s=rng.uniform(0.0, LIFE_S))


def settled_since(path: Path, seq: int) -> tuple[set[str], int]:
    """The samples that have a finish after an entry, and the last entry."""
    found: set[str] = set()
    with LedgerReader.open(path) as reader:
        for entry in reader.entries(after_seq=seq):
            seq = entry.seq
            if isinstance(entry.payload, SampleFinished):
                found.add(entry.payload.sample_id)
    return found, seq


@dataclass
class Tally:
    """What was seen over all lives."""

    kills: int = 0
    killed_writing: int = 0
    acknowledged: int = 0
    missing: int = 0
    not_verified: int = 0
    left_open_at_most: int = 0
    finished_unsaid: int = 0
    troubles: int = 0
    after_kill_s: list[float] = field(default_factory=list)
    after_end_s: list[float] = field(default_factory=list)


def measure() -> Figures:
    begun_s = time.perf_counter()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        meter = stack.enter_context(SimulatedInstrument("meter", seed=1, paced=False))
        tester = stack.enter_context(SimulatedInstrument("pull_tester", seed=2, paced=False))
        settings = Settings(
            meter=InstrumentSettings(port=meter.port, profile=METER_PROFILE, simulated=True),
            tester=InstrumentSettings(port=tester.port, profile=TESTER_PROFILE, simulated=True),
        )
        crimper = workshop.Crimper(np.random.default_rng(3), settings.fixture)
        parent = Parent(folder / "bench.ledger", settings, Hands(crimper, meter, tester, Board()))
        tally = live_and_die(parent, folder / "bench.ledger")
        entries = verify_ledger(folder / "bench.ledger").entries
    ratio = median(tally.after_kill_s) / median(tally.after_end_s)
    figures = {
        "kills": tally.kills,
        "of_them_while_a_sample_was_written": tally.killed_writing,
        "samples_acknowledged": tally.acknowledged,
        "acknowledged_and_missing": tally.missing,
        "ledgers_not_verified": tally.not_verified,
        "left_open_at_most": tally.left_open_at_most,
        "written_but_killed_before_said": tally.finished_unsaid,
        "void_by_instrument_trouble": tally.troubles,
        "entries": entries,
        "start_after_kill_ms": median(tally.after_kill_s) * 1e3,
        "start_after_normal_end_ms": median(tally.after_end_s) * 1e3,
        "start_ratio": ratio,
        "seconds": time.perf_counter() - begun_s,
    }
    holds = (
        tally.kills >= KILLS
        and tally.missing == tally.not_verified == 0
        and tally.left_open_at_most <= 1
        and ratio <= ALLOWANCE
    )
    return Figures("crash", figures, holds)


def live_and_die(parent: Parent, path: Path) -> Tally:
    """Let all children live on one ledger, and look at it after each."""
    tally = Tally()
    settled: set[str] = set()
    seq = 0
    before: Life | None = None
    for life in lives(random.Random(20)):
        parent.live(life)
        if path.exists():
            tally.not_verified += verify_ledger(path).first_bad is not None
            more, seq = settled_since(path, seq)
            settled |= more
            tally.finished_unsaid += len(more) - len(life.acknowledged)
        tally.kills += not life.ends_well
        tally.killed_writing += life.killed_writing
        tally.acknowledged += len(life.acknowledged)
        tally.missing += len(set(life.acknowledged) - settled)
        tally.troubles += len(life.troubles)
        tally.left_open_at_most = max(tally.left_open_at_most, life.left_open)
        if before is not None and life.start_s:
            starts = tally.after_end_s if before.ends_well else tally.after_kill_s
            starts.append(life.start_s)
        before = life
    return tally


if __name__ == "__main__":
    run(measure)
