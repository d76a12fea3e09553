"""Proof that the record is what was written, in whole or at its end: the chain and every trace."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, exc, func, select

from station.errors import BadInput, LedgerDamaged
from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, entry_hash, utc_time
from station.ledger.entries import SampleFinished
from station.ledger.trace_rows import TraceRows
from station.ledger.traces import trace_key

Progress = Callable[[int, int], None]
"""Called now and then with how many of how many are done."""


PROGRESS_STEP = database.ROWS_AT_A_TIME


_UNKNOWN = 1 << 62


@dataclass(frozen=True)
class VerifyReport:
    """What `verify_ledger` found.

    Parameters
    ----------
    entries, traces : int
        How many were found sound, up to the first that is not.
    first_bad : str or None
        The first bad entry or trace and what is wrong with it; None if the whole record is sound.
    last_hash : str
        The hash of the last sound entry. Noted elsewhere, it proves later that nothing up to here
        was written anew: the chain alone cannot show a forger who hashed everything again.
    """

    entries: int
    traces: int
    first_bad: str | None
    last_hash: str


def verify_ledger(path: Path, progress: Progress | None = None) -> VerifyReport:
    """Hash the whole record again, entries first, then traces.

    The file is only read. Writers are not held up.

    Parameters
    ----------
    path : Path
        The ledger's file.
    progress : callable, optional
        Told the number of entries and traces done and in all.

    Raises
    ------
    BadInput
        There is no such file.
    LedgerDamaged
        The file is not a ledger, or too damaged for SQLite to read.
    """
    with snapshot(path, forgive_text=True) as connection:
        return _Verifier(connection, progress).run()


@contextmanager
def snapshot(path: Path, *, forgive_text: bool) -> Iterator[Connection]:
    """Open a ledger to read one state of it; raises as `verify_ledger` does.

    To name an entry whose text a flipped byte broke, its text is forgiven and read on.
    """
    database.check_path(path, create=False)
    with database.plain_errors(path):
        database.check_is_ledger(path)
        engine = database.reading_engine(path, forgive_text=forgive_text)
        try:
            with engine.connect() as connection:
                yield connection
        finally:
            engine.dispose()


class _Verifier:
    """One run over one snapshot of the record."""

    def __init__(self, connection: Connection, progress: Progress | None) -> None:
        self._connection = connection
        self._progress = progress
        self._rows = TraceRows.of(connection)
        self._total = self._count(tables.entry.c.seq) + self._count(self._rows.table.c.sha256)
        self._entries = 0
        self._traces = 0
        self._last_hash = FIRST_PREV_HASH

    def run(self) -> VerifyReport:
        try:
            first_bad = next(self._faults(), None)
        except exc.DatabaseError as error:
            if not database.is_damage(error):
                raise
            first_bad = self._unreadable()
        if self._progress:
            self._progress(self._entries + self._traces, self._total)
        return VerifyReport(self._entries, self._traces, first_bad, self._last_hash)

    def _faults(self) -> Iterator[str]:
        ordered = select(tables.entry).order_by(tables.entry.c.bench, tables.entry.c.seq)
        yield from self._entry_faults(database.stream(self._connection, ordered))
        if fault := _end_fault(tables.facts(self._connection), self._entries):
            yield fault
        yield from self._trace_faults()
        yield from self._missing_traces()

    def _entry_faults(self, rows: Iterator[Row[Any]]) -> Iterator[str]:
        for row in rows:
            if fault := entry_fault(row, self._entries + 1, self._last_hash):
                yield fault
            self._entries += 1
            self._last_hash = row.hash
            self._tell()

    def _trace_faults(self) -> Iterator[str]:
        for row in database.stream(self._connection, self._rows.all()):
            if not _matches(row.sha256, row.data):
                yield f"trace {row.sha256}: its content does not match its hash"
            self._traces += 1
            self._tell()

    def _missing_traces(self) -> Iterator[str]:
        named = func.json_extract(tables.entry.c.payload, "$.pull.trace_sha256")
        missing = (
            select(named.label("sha256"), tables.entry.c.seq)
            .where(
                tables.entry.c.kind == SampleFinished.KIND,
                named.is_not(None),
                self._rows.is_missing(self._connection, named, tables.entry.c.seq),
            )
            .order_by(tables.entry.c.seq)
            .limit(1)
        )
        for row in self._connection.execute(missing):
            yield f"trace {row.sha256}: entry {row.seq} names it, but it is missing"

    def _unreadable(self) -> str:
        """Name the first thing that cannot be read, one by one where rows came by the thousand."""
        nothing = "a part of the file that holds no entry and no trace: rebuild it"
        page = database.what_is_damaged(self._connection)
        return f"{self._first_unreadable() or nothing} ({page})"

    def _first_unreadable(self) -> str | None:
        one = tables.found(tables.entry, bench=tables.facts(self._connection).get("bench"))

        def following() -> Row[Any] | None:
            this = tables.entry.c.seq == self._entries + 1
            return self._connection.execute(one.where(this)).first()

        try:
            fault = next(self._entry_faults(iter(following, None)), None)
        except exc.DatabaseError:
            return f"entry {self._entries + 1}: its part of the file cannot be read"
        return fault or self._first_unreadable_trace()

    def _first_unreadable_trace(self) -> str | None:
        """Name the first trace that cannot be read or does not match."""
        key = ""
        try:
            for key, data in self._rows.one_by_one(self._connection):
                if not _matches(key, data):
                    return f"trace {key}: its content does not match its hash"
        except exc.DatabaseError:
            return f"trace {key}, or the one after it: its part of the file cannot be read"
        return None

    def _count(self, column: Any) -> int:
        try:
            return self._connection.scalar(select(func.count(column))) or 0
        except exc.DatabaseError as error:
            if not database.is_damage(error):
                raise
            # Only progress goes by it; what cannot be read is named where it is met.
            return _UNKNOWN

    def _tell(self) -> None:
        done = self._entries + self._traces
        if self._progress and done % PROGRESS_STEP == 0:
            self._progress(done, self._total)


def entry_fault(row: Row[Any], seq: int, prev_hash: str) -> str | None:
    """Say what is wrong with the row that stands for an entry; None where it is sound."""
    if row.seq != seq:
        return f"entry {seq}: entry {row.seq} ({row.id}) stands in its place"
    try:
        sound = entry_hash(row._asdict()) == row.hash
    except BadInput:
        sound = False
    if not sound:
        return f"entry {seq} ({row.id}): its content does not match its hash"
    if row.prev_hash != prev_hash:
        return f"entry {seq} ({row.id}): it does not follow the entry before it"
    return None


def _end_fault(facts: Mapping[str, str], ends_at: int) -> str | None:
    if (written := facts.get("last_seq")) == str(ends_at):
        return None
    return f"entry {written}: it was written, but the record ends at entry {ends_at}"


def _matches(key: str, data: Any) -> bool:
    try:
        return trace_key(data) == key
    except (LedgerDamaged, TypeError):
        return False


TAIL = 1000
"""How many of the last entries are hashed again."""


LOCK_PATIENCE_S = 2.0


@dataclass(frozen=True)
class TailReport:
    """What `verify_tail` found.

    Attributes
    ----------
    bench
        Name of the bench that the ledger belongs to.
    entries
        How many entries the ledger says it has.
    checked
        How many of the last ones were hashed again.
    first_bad
        The first bad one of these and what is wrong with it; None where all are sound.
    last_at
        When the last entry was made; None for a ledger without entries.
    """

    bench: str
    entries: int
    checked: int
    first_bad: str | None
    last_at: datetime | None


def verify_tail(path: Path, count: int = TAIL) -> TailReport:
    """Hash the last entries again; `verify_ledger` does the whole record.

    Raises
    ------
    BadInput
        There is no such file.
    LedgerDamaged
        The file is not a ledger, or too damaged for SQLite to read.
    """
    newest = select(tables.entry).order_by(tables.entry.c.seq.desc()).limit(count + 1)
    with snapshot(path, forgive_text=True) as connection:
        meta = tables.facts(connection)
        rows = list(connection.execute(newest))[::-1]
    last_seq = int(meta["last_seq"])
    ends_at = rows[-1].seq if rows else 0
    last_at = utc_time(rows[-1].at_utc) if rows else None
    before = rows.pop(0).hash if len(rows) > count else FIRST_PREV_HASH
    first_bad = _end_fault(meta, ends_at)
    for seq, row in enumerate(rows, start=last_seq - len(rows) + 1):
        first_bad = first_bad or entry_fault(row, seq, before)
        before = row.hash
    return TailReport(meta["bench"], last_seq, len(rows), first_bad, last_at)


def check_writable(path: Path, *, patience_s: float = LOCK_PATIENCE_S) -> None:
    """Take the ledger's write lock for a moment. Nothing is written.

    Raises
    ------
    LedgerBusy, LedgerReadOnly, LedgerDamaged
        Another program holds the lock, the file cannot be written, or it is not sound.
    """
    with (
        database.plain_errors(path),
        closing(database.connect(path, "rw", patience_s)) as connection,
    ):
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")


def has_samples(path: Path, *, demo: bool) -> bool:
    """Whether any sample on record is invented, or any is not."""
    found = select(tables.sample.c.sample_id).where(tables.sample.c.demo.is_(demo)).limit(1)
    with snapshot(path, forgive_text=True) as connection:
        return connection.execute(found).first() is not None
