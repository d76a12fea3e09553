"""The write side of the ledger: entries go in, whole, in order, and never change."""

import os
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from types import MappingProxyType
from typing import Any, Self

from sqlalchemy import bindparam, func, inspect, select
from sqlalchemy.exc import IntegrityError

from station.errors import BadInput, LedgerDamaged, LedgerError
from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, Moment, entry_hash, utc_text, uuid7
from station.ledger.clock import now
from station.ledger.derive import FIRST_DEMO_KEY, derive
from station.ledger.entries import Payload, PhotoDropped
from station.ledger.entry import Entry, entry_from_columns, payload_text
from station.ledger.reader import LedgerReader
from station.ledger.trace_rows import TraceRows
from station.ledger.traces import check_traces, named_traces, trace_key
from station.ledger.verify import PROGRESS_STEP, Progress

DEFAULT_BENCH = "bench-1"

_NO_TRACES: Mapping[str, bytes] = MappingProxyType({})

_entry = tables.entry
_LAST_ENTRY = (
    select(_entry.c.seq, _entry.c.hash)
    .where(_entry.c.bench == bindparam("of_bench"))
    .order_by(_entry.c.seq.desc())
    .limit(1)
)
_MOVE_LAST_SEQ = tables.meta.update().where(
    tables.meta.c.key == "last_seq", tables.meta.c.value == bindparam("from_seq")
)
_ADD_ENTRY = _entry.insert().inline()
_SET_VERSION = tables.meta.update().where(tables.meta.c.key == "read_tables_version")


@dataclass
class _Head:
    """Where the chain ends, while this ledger holds the write lock."""

    seq: int
    hash: str
    failure: Exception | None = None


class Ledger:
    """An open ledger. One file belongs to one bench; several processes may have it open.

    Use `open`, not the constructor. May be shared by threads; they write one after the other.
    """

    def __init__(self, path: Path, clock: Callable[[], Moment], busy_timeout_s: float) -> None:
        self._path = path
        self._clock = clock
        self._bench = ""
        self._head: _Head | None = None
        self._lock = threading.RLock()
        self._engine = database.writing_engine(path, busy_timeout_s=busy_timeout_s)
        self._connection = self._engine.connect()
        self._file = database.file_identity(path)
        self._reader: LedgerReader | None = None

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        bench: str | None = None,
        clock: Callable[[], Moment] = now,
        create: bool = True,
        busy_timeout_s: float = database.BUSY_TIMEOUT_S,
        progress: Progress | None = None,
    ) -> Self:
        """Open a ledger for writing, and build its read tables again if they are outdated.

        Parameters
        ----------
        path : Path or str
            The ledger's file; its folder must exist.
        bench : str, optional
            Name of the bench for a new ledger, `DEFAULT_BENCH` if not given. An existing ledger
            must have this name.
        clock : callable
            Gives the moment of every entry that is appended without one.
        create : bool
            Whether a missing file is created.
        busy_timeout_s : float
            How long to wait, in seconds, for another program that is writing.
        progress : callable, optional
            Told the entries done and in all while read tables are rebuilt.

        Raises
        ------
        BadInput
            There can be no ledger at this path, or it belongs to another bench.
        LedgerBusy, LedgerReadOnly, LedgerFull, LedgerDamaged
            The file is locked, cannot be written, has no room, or is not a sound ledger.
        """
        path = Path(path)
        database.check_path(path, create=create)
        with database.plain_errors(path):
            database.prepare_file(path, create=create, busy_timeout_s=busy_timeout_s)
            ledger = cls(path, clock, busy_timeout_s)
            try:
                ledger._prepare(bench, progress)
                ledger._reader = LedgerReader.open(path, busy_timeout_s=busy_timeout_s)
            except BaseException:
                ledger.close()
                raise
        return ledger

    def close(self) -> None:
        """Close all connections. Closing twice does no harm."""
        if self._reader is not None:
            self._reader.close()
        self._connection.close()
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The ledger's file."""
        return self._path

    @property
    def reader(self) -> LedgerReader:
        """The read side of the same file. It sees an entry once its transaction is done."""
        if self._reader is None:
            raise self._closed()
        return self._reader

    def now(self) -> Moment:
        """Return the present moment, by the clock that dates entries without one."""
        return self._clock()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Make all that is appended in the block one transaction: all of it or none.

        Other writers wait meanwhile, so keep the block short. Nothing is acknowledged before the
        block has ended without an error. A write that failed in the block fails the block, even
        if its error was caught.

        Raises
        ------
        LedgerBusy, LedgerReadOnly, LedgerFull, LedgerGone
            Nothing was written.
        """
        with self._writing():
            yield

    def append(
        self,
        payload: Payload,
        *,
        person: str,
        traces: Mapping[str, bytes] = _NO_TRACES,
        moment: Moment | None = None,
    ) -> Entry:
        """Write one entry. When this returns, outside of `transaction`, the entry is on the disk.

        Parameters
        ----------
        payload : Payload
            What happened.
        person : str
            Who did it.
        traces : mapping, optional
            The stored form (`encode_trace`) of the traces that the payload names, by `trace_key`.
        moment : Moment, optional
            When it happened, if not now.

        Raises
        ------
        BadInput
            The payload breaks its model, contradicts the record, or names a trace that is neither
            given nor on record. Nothing was written.
        LedgerBusy, LedgerReadOnly, LedgerFull, LedgerGone
            Nothing was written: keep the payload and append it again.
        """
        text = payload_text(payload)
        if not person.strip():
            raise BadInput("The entry names no person: say who stands at the bench.")
        check_traces(payload, traces)
        moment = moment or self._clock()
        with self._writing() as head:
            try:
                self._write_traces(payload, traces, head.seq + 1)
                return self._write(head, payload, text, person, moment)
            except Exception as error:
                head.failure = error
                raise

    def adopt(
        self, entries: Iterable[Mapping[str, Any]], traces: Iterable[tuple[str, bytes]] = ()
    ) -> int:
        """Take over the next entries of this bench's chain, exactly as they were, and traces.

        Parameters
        ----------
        entries : iterable of mapping
            The columns of each entry as stored, in order.
        traces : iterable
            Keys and stored forms; these are written first.

        Returns
        -------
        int
            How many entries were taken over. All of them or, with an error, none.

        Raises
        ------
        BadInput
            An entry does not follow the last, or does not match its hash; a trace does not match
            its key.
        """
        taken = 0
        with self._writing() as head:
            for key, data in traces:
                if trace_key(data) != key:
                    raise BadInput(
                        f"The trace {key} does not match its hash: it was changed. Nothing was "
                        "taken."
                    )
                self._add_trace(key, data, head.seq + 1)
            for columns in entries:
                self._adopt_one(head, columns)
                taken += 1
        return taken

    def _adopt_one(self, head: _Head, columns: Mapping[str, Any]) -> None:
        due = {"bench": self._bench, "seq": head.seq + 1, "prev_hash": head.hash}
        if any(columns[name] != value for name, value in due.items()):
            raise BadInput(
                f"Entry {columns['seq']} of {columns['bench']} does not follow entry {head.seq} of "
                f"{self._bench}: nothing was taken."
            )
        if entry_hash(columns) != columns["hash"]:
            raise BadInput(f"Entry {columns['seq']} does not match its hash: nothing was taken.")
        database.run(self._connection, _ADD_ENTRY, columns)
        self._derive_again(entry := entry_from_columns(columns))
        self._let_go(entry.payload)
        head.seq, head.hash = columns["seq"], columns["hash"]

    def rebuild(self, progress: Progress | None = None) -> None:
        """Build all read tables again from the record, in one transaction.

        Raises
        ------
        LedgerDamaged
            An entry cannot be read or contradicts an earlier one. The old tables stay.
        """
        with self.transaction():
            self._rebuild(progress)

    def _prepare(self, bench: str | None, progress: Progress | None) -> None:
        with self._connection.begin():
            if not inspect(self._connection).has_table(_entry.name):
                tables.create_record(self._connection, bench or DEFAULT_BENCH)
            self._bench = tables.facts(self._connection)["bench"]
            self._traces = TraceRows.of(self._connection)
        if bench is not None and bench != self._bench:
            raise BadInput(
                f"The ledger {self._path} belongs to the bench {self._bench!r}, not to {bench!r}: "
                "check the path, or the name of the bench in the settings."
            )
        with self.transaction():
            found = tables.facts(self._connection).get("read_tables_version")
            if found != str(tables.READ_TABLES_VERSION):
                self._rebuild(progress)
            # Taking the write lock of a read-only file is no error to SQLite, only writing is.
            self._connection.execute(_SET_VERSION, {"value": str(tables.READ_TABLES_VERSION)})

    @contextmanager
    def _writing(self) -> Iterator[_Head]:
        with self._lock, database.plain_errors(self._path):
            if self._head is not None:
                yield self._head
                return
            if self._connection.closed:
                raise self._closed()
            # SQLite would go on writing into a file that has no name any more.
            database.check_still_there(self._path, self._file)
            with self._connection.begin():
                self._head = self._read_head()
                began_at = self._head.seq
                try:
                    yield self._head
                    self._finish(self._head, began_at)
                except (BadInput, IntegrityError) as error:
                    # What was cut off the end still stands in the read tables and contradicts.
                    if tables.facts(self._connection).get("last_seq") != str(began_at):
                        raise self._cut_off(began_at) from error
                    raise
                finally:
                    self._head = None

    def _finish(self, head: _Head, began_at: int) -> None:
        if head.failure is not None:
            raise head.failure
        if head.seq == began_at:
            return
        moved = database.run(
            self._connection, _MOVE_LAST_SEQ, {"from_seq": str(began_at), "value": str(head.seq)}
        )
        if moved.rowcount == 0:
            raise self._cut_off(began_at)

    def _cut_off(self, last_seq: int) -> LedgerDamaged:
        return LedgerDamaged(
            f"The ledger {self._path} ends at entry {last_seq}, which is not the last that was "
            "written: nothing was added. Verify it and restore a backup."
        )

    def _rebuild(self, progress: Progress | None) -> None:
        tables.recreate_read_tables(self._connection)
        self._connection.execute(tables.meta.delete().where(tables.meta.c.key == FIRST_DEMO_KEY))
        total = self._connection.scalar(select(func.count()).select_from(_entry)) or 0
        entries = tables.found(_entry, bench=self._bench).order_by(_entry.c.seq)
        for done, row in enumerate(database.stream(self._connection, entries), start=1):
            self._derive_again(entry_from_columns(row._asdict()))
            if progress and (done % PROGRESS_STEP == 0 or done == total):
                progress(done, total)
        self._connection.execute(_SET_VERSION, {"value": str(tables.READ_TABLES_VERSION)})

    def _derive_again(self, entry: Entry) -> None:
        try:
            derive(self._connection, entry)
        except BadInput as error:
            raise LedgerDamaged(
                f"Entry {entry.seq} ({entry.id}) of {self._path} contradicts an earlier one "
                f"({error}): verify the ledger and restore a backup."
            ) from error

    def _write(
        self, head: _Head, payload: Payload, text: str, person: str, moment: Moment
    ) -> Entry:
        at_utc = moment.at_utc.astimezone(UTC)
        columns: dict[str, Any] = {
            "bench": self._bench,
            "seq": head.seq + 1,
            "id": uuid7(moment.unix_ms, os.urandom(10)),
            "kind": payload.KIND,
            "version": payload.VERSION,
            "at_utc": utc_text(at_utc),
            "clock_synced": moment.clock_synced,
            "boot_id": moment.boot_id,
            # A whole number would hash without the ".0" that it is read back with.
            "monotonic_s": float(moment.monotonic_s),
            "person": person,
            "payload": text,
            "prev_hash": head.hash,
        }
        columns["hash"] = entry_hash(columns)
        database.run(self._connection, _ADD_ENTRY, columns)
        entry = Entry(**{**columns, "at_utc": at_utc, "payload": payload})
        derive(self._connection, entry)
        self._let_go(payload)
        head.seq, head.hash = entry.seq, entry.hash
        return entry

    def _let_go(self, payload: Payload) -> None:
        if isinstance(payload, PhotoDropped):
            self._traces.remove(self._connection, payload.sha256)

    def _write_traces(self, payload: Payload, traces: Mapping[str, bytes], seq: int) -> None:
        for key, data in traces.items():
            self._add_trace(key, data, seq)
        for named in named_traces(payload):
            if named in traces or self._has_trace(named, seq):
                continue
            raise BadInput(
                f"The trace {named} that the entry names is not on record: give it with the entry."
            )

    def _add_trace(self, key: str, data: bytes, seq: int) -> None:
        try:
            self._traces.add(self._connection, key, data, seq)
        except IntegrityError:
            # The table only grows: it refuses what it has. To have it is all that is asked.
            if not self._has_trace(key, seq):
                raise

    def _has_trace(self, key: str, seq: int) -> bool:
        return self._traces.data(self._connection, key, seq) is not None

    def _read_head(self) -> _Head:
        last = database.run(self._connection, _LAST_ENTRY, {"of_bench": self._bench}).first()
        return _Head(0, FIRST_PREV_HASH) if last is None else _Head(last.seq, last.hash)

    def _closed(self) -> LedgerError:
        return LedgerError("The ledger {path} was closed: open it again.", path=self._path)
