"""A ledger of any size for benchmarks: the demo's workshop, its samples invented over and over."""

import itertools
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from station.bench.bench import Bench
from station.crimp.facts import shipped_book
from station.instruments.bay import InstrumentBay
from station.ledger import database, tables
from station.ledger.chain import Moment
from station.ledger.entries import SampleBegun, SampleFinished, ToolServiced
from station.ledger.store import Ledger
from station.ledger.trace_rows import part_of
from station.ledger.traces import decode_trace, encode_trace, trace_key
from station.settings import Settings
from station.simulation import workshop
from station.simulation.demo import demo_limit_sets
from station.simulation.history import HistoryWriter

DAYS = 40
TODAY = date(2024, 6, 1)
SERVICE_EVERY = 20_000
"""After so many samples every tool is serviced, as a shop does, and its trends start again."""
SERVICE_AT = 15_000
AT_ONCE = 500
"""Samples to a transaction while the ledger is filled."""


@dataclass(frozen=True)
class Template:
    """A sample that the demo invented, to be repeated."""

    finished: SampleFinished
    time_s: Any
    force_n: Any


class InventedLedger:
    """Fills a ledger; every sample has entries and a trace of its own.

    Parameters
    ----------
    ledger : Ledger
        Open, and new.
    """

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        HistoryWriter(ledger, demo_limit_sets(), Settings(), seed=1).write(TODAY, DAYS)
        self._templates = list(self._read_templates())
        self._people = list(workshop.PEOPLE)
        self._at = datetime(2024, 6, 1, 6, 0, tzinfo=UTC)
        self.samples = ledger.reader.counts().samples

    def _read_templates(self) -> Iterator[Template]:
        for entry in self.ledger.reader.entries(SampleFinished.KIND):
            finished = entry.payload
            assert isinstance(finished, SampleFinished)
            if finished.job == "daily_check" and finished.pull and finished.pull.trace_sha256:
                data = self.ledger.reader.trace(finished.pull.trace_sha256, entry.seq)
                assert data is not None
                yield Template(finished, *decode_trace(data))

    def grow(self, samples: int) -> None:
        """Write samples until there are so many."""
        while self.samples < samples:
            with self.ledger.transaction():
                for _ in range(min(AT_ONCE, samples - self.samples)):
                    finished, person, traces = self.next_sample()
                    self.finish(finished, person, traces)
                    if self.samples % SERVICE_EVERY == SERVICE_AT:
                        self._service()

    def next_sample(self) -> tuple[SampleFinished, str, dict[str, bytes]]:
        """Begin a sample; return how it is to be finished."""
        self.samples += 1
        template = self._templates[self.samples % len(self._templates)]
        person = self._people[self.samples // 7 % len(self._people)]
        done = template.finished
        begun = SampleBegun(demo=True, job=done.job, joint=done.joint, limit_set=done.limit_set)
        sample = self.ledger.append(begun, person=person, moment=self.next_moment())
        # Later by a few instants of its clock: a trace of its own that compresses like the others.
        data = encode_trace(np.asarray(template.time_s) + self.samples / 50.0, template.force_n)
        key = trace_key(data)
        assert done.pull is not None
        pull = done.pull.model_copy(update={"trace_sha256": key})
        change = {"sample_id": sample.id, "pull": pull}
        return done.model_copy(update=change), person, {key: data}

    def finish(self, finished: SampleFinished, person: str, traces: dict[str, bytes]) -> None:
        """Write the finish of a sample."""
        self.ledger.append(finished, person=person, traces=traces, moment=self.next_moment())

    def _service(self) -> None:
        for tool in workshop.TOOLS:
            serviced = ToolServiced(demo=True, tool=tool, nest=None, action="new dies")
            self.ledger.append(serviced, person=self._people[0], moment=self.next_moment())

    def next_moment(self) -> Moment:
        """Return a moment somewhat later than the last."""
        self._at += timedelta(seconds=15)
        return Moment(self._at, clock_synced=True, boot_id="invented", monotonic_s=0.0)


def simulated_bench(ledger: Ledger, settings: Settings) -> Bench:
    """Return a bench of the demo's workshop over a ledger."""
    return Bench(
        settings=settings,
        ledger=ledger,
        bay=InstrumentBay(settings),
        limit_sets=demo_limit_sets(),
        connectors=shipped_book(),
        demo=True,
    )


class BareCommits:
    """What a commit costs without a station: the bytes of an entry and its trace, and no more.

    Parameters
    ----------
    path : Path
        Where the file is made.
    copied_from : Path, optional
        The ledger of which it is a copy, so that the bytes go into tables as large and with the
        same keys; else they go into empty tables without any.
    """

    def __init__(self, path: Path, *, copied_from: Path | None = None) -> None:
        self._connection = sqlite3.connect(path, isolation_level=None)
        if copied_from is None:
            for table in tables.record.sorted_tables:
                columns = ", ".join(column.name for column in table.columns)
                self._connection.execute(f"CREATE TABLE {table.name} ({columns})")
        else:
            with closing(sqlite3.connect(copied_from)) as ledger:
                ledger.backup(self._connection)
        for pragma in ("PRAGMA journal_mode = WAL", *database.PRAGMAS):
            self._connection.execute(pragma)
        (last,) = self._connection.execute("SELECT max(seq) FROM entry").fetchone()
        self._number = itertools.count((last or 0) + 1)

    def commit(self, payload: str, traces: dict[str, bytes]) -> None:
        """Insert an entry's and its traces' bytes and commit."""
        run = self._connection.execute
        seq = next(self._number)
        run("BEGIN IMMEDIATE")
        run(
            "INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            ("bench-1", seq, f"{seq:036d}", "sample_finished", 1, "2024-06-01T06:00:00.000000Z", 1,
             "invented", 0.0, "Benno", payload, "0" * 64, "0" * 64),
        )  # fmt: skip
        for key, data in traces.items():
            run("INSERT INTO trace VALUES (?, ?, ?)", (part_of(seq), key, data))
        run("COMMIT")

    def close(self) -> None:
        """Close the file."""
        self._connection.close()
