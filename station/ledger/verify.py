"""Proof that the record is what was written, in whole or at its end: chain, traces, read tables."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Row,
    Select,
    exc,
    func,
    select,
    type_coerce,
    union_all,
)

from station.errors import BadInput, LedgerDamaged
from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, Head, entry_hash, utc_time
from station.ledger.compare import MOST, differences
from station.ledger.entries import PhotoDropped, PhotoTaken, SampleFinished
from station.ledger.trace_rows import TraceRows
from station.ledger.traces import trace_key

Progress = Callable[[int, int], None]
"""Called now and then with how many of how many are done."""


PROGRESS_STEP = database.ROWS_AT_A_TIME


_UNKNOWN = 1 << 62


def _naming(pull: ColumnElement[str], path: str, *more: ColumnElement[bool]) -> Select[Any]:
    key = func.json_extract(pull, path)
    finished = tables.entry.c.kind == SampleFinished.KIND
    return select(key.label("sha256"), tables.entry.c.seq).where(finished, *more, key.is_not(None))


_payload = tables.entry.c.payload
_photo = func.json_extract(_payload, "$.sha256")


def _of_photos(kind: str) -> Select[Any]:
    found = select(_photo.label("sha256"), tables.entry.c.seq)
    return found.where(tables.entry.c.kind == kind, tables.RARE_KIND)


_further = func.json_each(_payload, "$.further_pulls").table_valued("value", joins_implicitly=True)
NAMED = union_all(
    _naming(_payload, "$.pull.trace_sha256"),
    # Few have any: most are passed over without being read as JSON.
    _naming(_further.c.value, "$.trace_sha256", _payload.contains('"further_pulls":[{')),
    _of_photos(PhotoTaken.KIND).where(
        _photo.not_in(_of_photos(PhotoDropped.KIND).with_only_columns(_photo).correlate(None))
    ),
).subquery()
"""Every trace, and every photo not dropped, that an entry names, and the number of that entry."""


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
        The hash of the last sound entry.
    differences : tuple of str
        The first rows of the read tables that are not what the entries say, and how; none where
        all are, or where an entry is bad, so that nothing can be said of them.
    """

    entries: int
    traces: int
    first_bad: str | None
    last_hash: str
    differences: tuple[str, ...] = ()

    @property
    def head(self) -> Head:
        """The last sound entry. Noted elsewhere, it proves later that nothing was written anew."""
        return Head(self.entries, self.last_hash)

    @property
    def fault(self) -> str | None:
        """What is not sound, the first of it; None where all is."""
        return self.first_bad or next(iter(self.differences), None)


def verify_ledger(path: Path, progress: Progress | None = None) -> VerifyReport:
    """Hash the whole record again, entries first, then traces; then derive the read tables again.

    The file is only read. Writers are not held up.

    Parameters
    ----------
    path : Path
        The ledger's file.
    progress : callable, optional
        Told the number of entries, traces and entries derived again, done and in all.

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
        self._total = 2 * self._count(tables.entry.c.seq) + self._count(self._rows.table.c.sha256)
        self._entries = 0
        self._traces = 0
        self._last_hash = FIRST_PREV_HASH

    def run(self) -> VerifyReport:
        try:
            first_bad = next(self._faults(), None)
        except LedgerDamaged as error:
            first_bad = str(error)
        except exc.DatabaseError as error:
            if not database.is_damage(error):
                raise
            first_bad = self._unreadable()
        unlike = () if first_bad else tuple(islice(self._differences(), MOST))
        if self._progress:
            self._progress(self._total, self._total)
        return VerifyReport(self._entries, self._traces, first_bad, self._last_hash, unlike)

    def _differences(self) -> Iterator[str]:
        try:
            yield from differences(self._connection, progress=self._tell)
        except exc.DatabaseError as error:
            if not database.is_damage(error):
                raise
            yield f"file: {database.what_is_damaged(self._connection)}"

    def _faults(self) -> Iterator[str]:
        ordered = select(tables.entry).order_by(tables.entry.c.bench, tables.entry.c.seq)
        yield from self._entry_faults(database.stream(self._connection, ordered))
        if fault := _end_fault(tables.facts(self._connection), self._entries):
            yield fault
        yield from self._trace_faults()
        yield from self._neither_true_nor_false()
        yield from self._missing_traces()
        yield from self._traces_out_of_place()

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
        missing = (
            select(NAMED)
            .where(self._rows.is_missing(self._connection, NAMED.c.sha256, NAMED.c.seq))
            .order_by(NAMED.c.seq)
            .limit(1)
        )
        for row in self._connection.execute(missing):
            yield f"trace {row.sha256}: entry {row.seq} names it, but it is missing"

    def _neither_true_nor_false(self) -> Iterator[str]:
        # What is no 0 is read as true, and so hashes as it should.
        odd = type_coerce(tables.entry.c.clock_synced, Integer).not_in((0, 1))
        for seq in self._connection.scalars(select(tables.entry.c.seq).where(odd).limit(1)):
            yield f"entry {seq}: its clock_synced is neither true nor false"

    def _traces_out_of_place(self) -> Iterator[str]:
        for sha256 in self._connection.scalars(self._rows.out_of_place(NAMED)):
            yield f"trace {sha256}: no entry names it where it stands"

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

    def _tell(self, derived: int = 0) -> None:
        done = self._entries + self._traces + derived
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
    if (written := facts.get("last_seq", "")) == str(ends_at):
        return None
    if not written.isdecimal():
        return f"meta last_seq: it is {written!r}, and the record ends at entry {ends_at}"
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
        How many entries the ledger has.
    checked
        How many of the last ones were hashed again.
    first_bad
        The first bad one of these and what is wrong with it; None where all are sound.
    last_at
        When the last entry was made; None for a ledger without entries.
    head
        The last entry.
    """

    bench: str
    entries: int
    checked: int
    first_bad: str | None
    last_at: datetime | None
    head: Head


def verify_tail(path: Path, count: int = TAIL) -> TailReport:
    """Hash the last entries again, and compare their samples and all that is not of samples.

    `verify_ledger` does the whole record.

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
        head = Head(rows[-1].seq, rows[-1].hash) if rows else Head(0, FIRST_PREV_HASH)
        last_at = utc_time(rows[-1].at_utc) if rows else None
        before = rows.pop(0).hash if len(rows) > count else FIRST_PREV_HASH
        first_bad = _end_fault(meta, head.seq)
        for seq, row in enumerate(rows, start=head.seq - len(rows) + 1):
            first_bad = first_bad or entry_fault(row, seq, before)
            before = row.hash
        first_bad = first_bad or next(differences(connection, tail=count), None)
    return TailReport(meta["bench"], head.seq, len(rows), first_bad, last_at, head)


def head_fault(path: Path, head: Head) -> str | None:
    """Say how the record contradicts the head of it that was noted elsewhere; None if it does not.

    Raises as `verify_ledger` does.
    """
    with snapshot(path, forgive_text=True) as connection:
        found = connection.execute(tables.found(tables.entry, seq=head.seq)).first()
    if found is None:
        return f"entry {head.seq}: it is missing, but its hash was noted: {head.hash}"
    if not found.hash.startswith(head.hash):
        return f"entry {head.seq} ({found.id}): its hash is {found.hash}, but {head.hash} was noted"
    return None


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
