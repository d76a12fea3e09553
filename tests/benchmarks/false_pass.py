"""Does a line that lies ever make a weak joint pass? ``python -m tests.benchmarks.false_pass``.

Draws pulls of joints that break 10 to 40 % under their limit, lets each shipped tester profile's
dialect say them, and lets one thing happen on the way (`tests.benchmarks.line_faults`). The bytes
go through the station's own port queue, line cutter, reader, recorder, reduction and verdict: all
but the wire and its driver. The peak register of the bare numbers is also left out once, so that
the numbers stand alone.

Stated bounds: where the dialect has a checksum or a counter no pull passes; with bare numbers at
most 1 in 10,000; of pulls to which nothing happens at most 1 in 1,000 is void; and nothing raises
what is no error of an instrument.

``--pulls`` sets how many are hit in all, ``--state FILE`` keeps what is done and goes on from it.
"""

import argparse
import json
import math
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import Pool
from pathlib import Path
from typing import cast

import numpy as np

from station.bench.sample_entry import Results, judge, pull_result
from station.crimp.limits import Limit
from station.crimp.pull.peak import with_register
from station.crimp.pull.reduce import reduce_trace
from station.errors import InstrumentError
from station.instruments.bay import BayTester, InstrumentBay
from station.instruments.force_source import ForceSource
from station.instruments.port import LinePort, ReceivedLine
from station.instruments.profiles import (
    PullTesterProfile,
    load_profile,
    load_tester_profile,
    profile_names,
)
from station.instruments.pull_tester import ForceTrace, PullTester
from station.ledger.entries import InstrumentUsed
from station.simulation.voices import TESTER_VOICES, TesterVoice
from tests.benchmarks.drawn_pulls import SHAPES, draw_wire
from tests.benchmarks.line_faults import FAULTS, Said, apply, fits
from tests.benchmarks.report import Figures, run

PULLS = 200_000
CLEAN_SHARE = 0.1
BLOCK = 100
SEED = 20261128
PROCESSES = 2
GUARD = 1.645
NO_REGISTER = " without its register"

LATENCY_S = 0.016
"""An adapter hands over what it has every 16 ms."""


@dataclass(frozen=True)
class Dialect:
    """A shipped profile and the voice that it fits."""

    name: str
    profile: PullTesterProfile
    voice: TesterVoice

    @property
    def guarded(self) -> bool:
        return self.profile.dialect.guarded_by != "nothing"


@cache
def dialects() -> dict[str, Dialect]:
    """Every shipped tester profile by name, and those with a register once more without it."""
    found = {}
    for name in profile_names():
        if load_profile(name).kind != "pull_tester":
            continue
        profile = load_tester_profile(name)
        found[name] = Dialect(name, profile, TESTER_VOICES[name])
        if profile.dialect.peak is not None:
            bare = profile.dialect.model_copy(update={"peak": None})
            alone = profile.model_copy(update={"dialect": bare})
            found[name + NO_REGISTER] = Dialect(name, alone, TESTER_VOICES[name])
    return found


@dataclass(frozen=True)
class Joint:
    """A joint's pull as its tester samples it: idle, climb, break, idle."""

    limit_n: float
    force_n: np.ndarray
    rate_hz: float
    begin: int
    end: int
    """Samples from the first pull to the break."""
    peak_n: float


def draw_joint(rate_hz: float, rng: np.random.Generator) -> Joint:
    """Draw a joint that breaks 10 to 40 % under its limit.

    The climb takes up to 12 s or 120 samples: a longer one has more samples that agree, so that
    what is false stands out more.
    """
    limit_n = math.exp(rng.uniform(math.log(20.0), math.log(400.0)))
    peak_n = limit_n * rng.uniform(0.6, 0.9)
    kind = str(rng.choice([kind for kind in SHAPES if kind != "grip_slip"]))
    _, wire = draw_wire(rng)
    shape = SHAPES[kind](wire, rng)
    longest_s = min(12.0, 120.0 / rate_hz)
    lasts_s = math.exp(rng.uniform(math.log(min(1.0, 0.3 * longest_s)), math.log(longest_s)))
    top_mm = float(shape.travel_mm[int(np.argmax(shape.force_n))])
    idle_s = rng.uniform(0.2, 0.5) * min(1.0, 100.0 / rate_hz)
    time_s = np.arange(rng.uniform(0.0, 1.0), (2.0 * lasts_s + idle_s + 0.8) * rate_hz) / rate_hz
    pulled_s = np.clip(time_s - idle_s, 0.0, None)
    true_n = shape.at(pulled_s * top_mm / lasts_s) * peak_n / shape.peak_n
    true_n = np.where(pulled_s > 2.0 * lasts_s, 0.0, true_n)
    # Nobody listens for longer than it takes to see that it is over.
    high = np.flatnonzero(true_n > 0.25 * peak_n)[-1]
    true_n = true_n[: high + 3 + math.ceil(0.5 * rate_hz)]
    pulled_s = pulled_s[: true_n.size]
    noise_n = limit_n * math.exp(rng.uniform(math.log(1e-4), math.log(5e-3)))
    begin, end = np.searchsorted(pulled_s, [1e-9, lasts_s])
    return Joint(
        limit_n, true_n + rng.normal(0.0, noise_n, true_n.size), rate_hz, int(begin), int(end),
        peak_n,
    )  # fmt: skip


def said(joint: Joint, dialect: Dialect, rng: np.random.Generator) -> Said:
    """What the tester says of it, line by line."""
    voice = dialect.voice
    unit, newtons = voice.units[0]
    first = int(rng.integers(0, 5000))
    return Said(
        numbers=joint.force_n / newtons,
        counters=np.arange(first, first + joint.force_n.size),
        units=[unit] * joint.force_n.size,
        begin=joint.begin,
        end=joint.end,
        voice=voice,
        rate_hz=joint.rate_hz,
    )


class MemoryPort(LinePort):
    """The station's port with its wire cut off: bytes come from memory, at simulated times."""

    def __init__(self, dialect: Dialect, stream: bytes, ends: np.ndarray, joint: Joint) -> None:
        super().__init__("memory", dialect.profile.line, name="tester")
        self._ended = None
        self._dialect = dialect
        self._joint = joint
        self._cleared = False
        self._chunks_to_come = self._cut(stream, ends)
        self._streams = not dialect.profile.dialect.start

    def _cut(self, stream: bytes, ends: np.ndarray) -> Iterator[tuple[float, bytes]]:
        sent_s = np.arange(1, ends.size + 1) / self._joint.rate_hz
        arrival_s = sent_s
        if self._dialect.profile.dialect.poll is None:
            arrival_s = np.ceil(sent_s / LATENCY_S) * LATENCY_S
        last = np.flatnonzero(np.append(np.diff(arrival_s) > 0.0, True))
        begun = 0
        for at in last.tolist():
            yield float(arrival_s[at]), stream[begun : int(ends[at])]
            begun = int(ends[at])

    def send(self, data: bytes) -> None:
        voice = self._dialect.voice
        word = data.strip()
        if word == voice.start:
            self._streams = True
        elif word == voice.clear_peak:
            self._cleared = True
        elif word == voice.peak:
            peak_n = 0.0 if self._cleared else self._joint.peak_n
            self._cleared = False
            self._take_at(0.0, f"PT={-peak_n:+.1f}{voice.answer_end}".encode())

    def next_line(self, timeout_s: float) -> ReceivedLine:
        while self._streams and not self._chunks:
            chunk = next(self._chunks_to_come, None)
            if chunk is None:
                break
            self._take_at(*chunk)
            if self._dialect.profile.dialect.poll is not None:
                break
        return super().next_line(0.0)

    def _take_at(self, at_s: float, data: bytes) -> None:
        lines = self._splitter.feed(data)
        if lines:
            self._chunks.append((at_s, lines))
            self._waiting += len(lines)


class PromptSource(ForceSource):
    """Polls as fast as it is answered."""

    def _ask_for_one(self, poll: str) -> None:
        self._port.discard()
        self.send(poll)


class _AnyBay:
    def using(self, _role: str) -> nullcontext[None]:
        return nullcontext()


_USED = InstrumentUsed(profile="", identity="", port="memory")


def verdict(joint: Joint, dialect: Dialect, stream: bytes, ends: np.ndarray) -> str:
    """Pass, fail or undecided; void where the station would not judge it."""
    port = MemoryPort(dialect, stream, ends, joint)
    tester = PullTester(port, dialect.profile)
    tester._source = PromptSource(port, dialect.profile)
    bay_tester = BayTester(cast(InstrumentBay, _AnyBay()), tester, dialect.profile.worth)
    preload_n = min(5.0, max(1.0, 0.02 * joint.limit_n))
    try:
        trace = bay_tester.record(lambda _at, _force: None, threading.Event(), preload_n)
    except InstrumentError:
        return "void"
    return "void" if trace.void_reason else _judged(joint, bay_tester, trace, preload_n)


def _judged(joint: Joint, tester: BayTester, trace: ForceTrace, preload_n: float) -> str:
    worth = tester.worth
    reduced = reduce_trace(
        trace.time_s, trace.force_n, filter_hz=worth.filter_hz, preload_n=preload_n,
        resolution_n=worth.resolution_n,
    )  # fmt: skip
    found = with_register(
        reduced.peak_n,
        reduced.peak_may_be_low_by_n,
        trace.register_peak_n,
        max(2.0 * worth.resolution_n, 6.0 * reduced.noise_n),
    )
    # Whoever is asked about a slip may say that it was none.
    slipped = reduced.suggested_mode == "grip_slip"
    if found.void_reason or (reduced.void_reason and not slipped):
        return "void"
    reduced = replace(reduced, peak_n=found.peak_n, peak_may_be_low_by_n=found.may_be_low_by_n)
    pull = pull_result(reduced, worth, None, None, _USED, trace=trace)
    limit = Limit(
        "invented", "pull_force_min", "18 AWG", joint.limit_n, "N", joint.limit_n, "N", "invented",
        "shop", "", None, None,
    )  # fmt: skip
    [criterion] = judge([limit], Results(pull=pull), GUARD)
    return str(criterion.verdict)


def block(task: tuple[str, str, int]) -> tuple[str, str, int, dict[str, int]]:
    """Verdicts of one block of pulls of one dialect, all hit by one fault; ``none`` is no fault."""
    name, fault, number = task
    dialect = dialects()[name]
    counts: Counter[str] = Counter()
    keys = [SEED, list(dialects()).index(name), ["none", *FAULTS].index(fault), number]
    for each in range(BLOCK):
        rng = np.random.default_rng([*keys, each])
        joint = draw_joint(dialect.profile.sampling.sample_rate_hz, rng)
        stream, ends = apply(fault, said(joint, dialect, rng), rng)
        try:
            counts[verdict(joint, dialect, stream, ends)] += 1
        except Exception as error:
            counts["crashes"] += 1
            print(f"{task} {each}: {error!r}", file=sys.stderr)
    return name, fault, number, dict(counts)


def tasks(pulls: int) -> list[tuple[str, str, int]]:
    cells = [(name, fault) for name, each in dialects().items() for fault in FAULTS
             if fits(fault, each.voice)]  # fmt: skip
    blocks = math.ceil(pulls / len(cells) / BLOCK)
    clean = math.ceil(CLEAN_SHARE * pulls / len(dialects()) / BLOCK)
    numbered = [(*cell, number) for number in range(blocks) for cell in cells]
    return [(name, "none", number) for number in range(clean) for name in dialects()] + numbered


def measure(pulls: int = PULLS, state: Path | None = None, processes: int = PROCESSES) -> Figures:
    """Run what is not done yet, and add up."""
    wanted = tasks(pulls)
    done: dict[tuple[str, str, int], dict[str, int]] = {}
    if state is not None and state.exists():
        rows = [json.loads(row) for row in state.read_text(encoding="ascii").splitlines()]
        done = {(name, fault, number): counts for name, fault, number, counts in rows}
    left = [task for task in wanted if task not in done]
    with Pool(processes) if processes > 1 else nullcontext() as pool:
        results = map(block, left) if pool is None else pool.imap_unordered(block, left)
        for count, (name, fault, number, counts) in enumerate(results, 1):
            done[name, fault, number] = counts
            if state is not None:
                with state.open("a", encoding="ascii") as file:
                    file.write(json.dumps([name, fault, number, counts]) + "\n")
            if count % 50 == 0:
                print(f"{count} of {len(left)} blocks", file=sys.stderr)
    return added_up({task: done[task] for task in wanted})


def added_up(done: dict[tuple[str, str, int], dict[str, int]]) -> Figures:
    cells: dict[tuple[str, str], Counter[str]] = {}
    for (name, fault, _), counts in done.items():
        cells.setdefault((name, fault), Counter()).update(counts)
    rows = [
        {
            "profile": name,
            "fault": fault,
            "guarded_by": dialects()[name].profile.dialect.guarded_by,
            "pulls": counts.total(),
            "false_passes": counts["pass"],
            "void": counts["void"],
            "crashes": counts["crashes"],
        }
        for (name, fault), counts in cells.items()
    ]
    hit = [row for row in rows if row["fault"] != "none"]
    clean = [row for row in rows if row["fault"] == "none"]
    bare = [row for row in hit if row["guarded_by"] == "nothing"]
    guarded = [row for row in hit if row["guarded_by"] != "nothing"]
    totals = {
        "pulls_hit": _sum(hit, "pulls"),
        "false_passes_with_checksum_or_counter": _sum(guarded, "false_passes"),
        "pulls_hit_with_bare_numbers": _sum(bare, "pulls"),
        "false_passes_with_bare_numbers": _sum(bare, "false_passes"),
        "void_of_pulls_hit": _sum(hit, "void"),
        "pulls_not_hit": _sum(clean, "pulls"),
        "void_of_pulls_not_hit": _sum(clean, "void"),
        "false_passes_of_pulls_not_hit": _sum(clean, "false_passes"),
        "crashes": _sum(rows, "crashes"),
    }
    holds = (
        totals["false_passes_with_checksum_or_counter"] == 0
        and totals["false_passes_with_bare_numbers"] * 10_000
        <= totals["pulls_hit_with_bare_numbers"]
        and totals["void_of_pulls_not_hit"] * 1000 <= totals["pulls_not_hit"]
        and totals["false_passes_of_pulls_not_hit"] == totals["crashes"] == 0
    )
    return Figures("false_pass", {**totals, "cells": rows}, holds)


def _sum(rows: list[dict[str, object]], key: str) -> int:
    return sum(cast(int, row[key]) for row in rows)


def show(result: Figures) -> None:
    """Print the totals and a row for each fault and profile."""
    for key, value in result.figures.items():
        if key != "cells":
            print(f"{key:<40}{value}")
    for row in cast(list[dict[str, object]], result.figures["cells"]):
        print(
            "{profile:<44}{fault:<16}{pulls:>8}{false_passes:>5} pass{void:>8} void".format(**row)
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--pulls", type=int, default=PULLS)
    parser.add_argument("--state", type=Path)
    parser.add_argument("--processes", type=int, default=PROCESSES)
    options, sys.argv[1:] = parser.parse_known_args()
    run(lambda: measure(options.pulls, options.state, options.processes), show)
