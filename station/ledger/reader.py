"""The read side of the ledger: rows for pages, reports and jobs, over read-only connections."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Self, TypeVar

from sqlalchemy import (
    ColumnClause,
    ColumnElement,
    Engine,
    Row,
    Select,
    func,
    literal_column,
    or_,
    select,
)

from station.errors import LedgerError
from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, Head, utc_text, utc_time
from station.ledger.derive import ALL_TIME, BEGUN, FIRST_DEMO_KEY, quarter_of
from station.ledger.entries import (
    BaselineSet,
    InstrumentCalibrated,
    InstrumentChecked,
    Payload,
    SampleFinished,
)
from station.ledger.entry import Entry, entry_from_columns
from station.ledger.rows import (
    Counts,
    DoorRow,
    PersonRow,
    R,
    SampleRow,
    ServiceRow,
    ToolRow,
    row_of,
)
from station.ledger.trace_rows import TraceRows

P = TypeVar("P", bound=Payload)

_PAGE = 500

_sample = tables.sample
_entry = tables.entry
_tally = tables.tally
_PASS: ColumnClause[str] = literal_column("'pass'")

UNFINISHED = "unfinished"
"""Asks for samples that were begun and have no verdict, those replaced by another among them."""


class LedgerReader:
    """Reads a ledger while it is being written; may be shared by threads.

    Every method sees one consistent state. None of them can write.
    """

    def __init__(self, path: Path, engine: Engine, bench: str) -> None:
        self._path = path
        self._engine = engine
        self._bench = bench

    @classmethod
    def open(cls, path: Path | str, *, busy_timeout_s: float = database.BUSY_TIMEOUT_S) -> Self:
        """Open an existing ledger for reading.

        Raises
        ------
        BadInput
            There is no such file.
        LedgerDamaged
            The file is not a ledger.
        LedgerError
            The read tables are those of another version of the station.
        """
        path = Path(path)
        database.check_path(path, create=False)
        with database.plain_errors(path):
            database.check_is_ledger(path, busy_timeout_s=busy_timeout_s)
        engine = database.reading_engine(path, busy_timeout_s=busy_timeout_s)
        try:
            with database.plain_errors(path), engine.connect() as connection:
                facts = tables.facts(connection)
            if facts.get("read_tables_version") != str(tables.READ_TABLES_VERSION):
                raise LedgerError(
                    f"The ledger {path} was last used by another version of the station: start "
                    "this version once, which brings it up to date."
                )
        except BaseException:
            engine.dispose()
            raise
        return cls(path, engine, facts["bench"])

    @property
    def path(self) -> Path:
        """The ledger's file."""
        return self._path

    def close(self) -> None:
        """Close all connections. Closing twice does no harm."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def samples(
        self,
        tool: str | None = None,
        nest: str | None = None,
        person: str | None = None,
        limit: int = 100,
        before_seq: int | None = None,
        newest_first: bool = True,
        verdict: str | None = None,
        lots: Iterable[str] | None = None,
        job: str | None = None,
    ) -> list[SampleRow]:
        """Return samples in the order in which they were begun.

        Parameters
        ----------
        tool, nest, person, job : str, optional
            Only samples of these.
        limit : int
            At most so many.
        before_seq : int, optional
            Only samples with a smaller ``begun_seq``: the next page after a newest-first one.
        newest_first : bool
            Whether the latest come first.
        verdict : str, optional
            Only samples that stand so now, or `UNFINISHED` ones.
        lots : iterable of str, optional
            Only samples of any of these lots, reels and serial numbers of tools.
        """
        query = tables.found(_sample, tool=tool, nest=nest, person=person, job=job)
        if lots is not None:
            lot = tables.sample_lot.c
            query = query.where(
                _sample.c.begun_seq.in_(select(lot.begun_seq).where(lot.name.in_(list(lots))))
            )
        if verdict is not None:
            query = query.where(*_standing_so(verdict))
        if before_seq is not None:
            query = query.where(_sample.c.begun_seq < before_seq)
        order = _sample.c.begun_seq.desc() if newest_first else _sample.c.begun_seq
        return self.read(SampleRow, query.order_by(order).limit(limit))

    def sample(self, sample_id: str) -> SampleRow | None:
        """Return one sample, or None if there is none with this id."""
        found = self.read(SampleRow, tables.found(_sample, sample_id=sample_id))
        return found[0] if found else None

    def finished_payload(self, sample_id: str) -> SampleFinished | None:
        """Return what was written when a sample was finished, before any correction."""
        seq = select(_sample.c.finished_seq).where(_sample.c.sample_id == sample_id)
        finish = tables.found(_entry, bench=self._bench).where(
            _entry.c.seq == seq.scalar_subquery()
        )
        payloads = (entry.payload for entry in self.entries_found(finish))
        return next((one for one in payloads if isinstance(one, SampleFinished)), None)

    def finished_payloads(self, rows: Iterable[SampleRow]) -> dict[str, SampleFinished]:
        """Return what was written when samples were finished, by the id of each that was."""
        entries = self.numbered(row.finished_seq for row in rows if row.finished_seq is not None)
        payloads = (entry.payload for entry in entries)
        return {one.sample_id: one for one in payloads if isinstance(one, SampleFinished)}

    def unfinished(self) -> list[SampleRow]:
        """Return the samples that were begun and neither finished, voided nor replaced."""
        query = select(_sample).where(tables.OPEN_SAMPLE).order_by(_sample.c.begun_seq)
        return self.read(SampleRow, query)

    def nest_samples(
        self, tool: str, nest: str, *, since_seq: int = 0, limit: int | None = None
    ) -> list[SampleRow]:
        """Return the samples of one nest, oldest first.

        Parameters
        ----------
        since_seq : int
            Only those begun after this entry, such as the last service.
        limit : int, optional
            Only the latest so many.
        """
        query = tables.found(_sample, tool=tool, nest=nest).where(_sample.c.begun_seq > since_seq)
        latest = query.order_by(_sample.c.begun_seq.desc()).limit(limit)
        return self.read(SampleRow, latest)[::-1]

    def samples_since(
        self, seq: int, *, instrument: str | None = None, tool: str | None = None
    ) -> list[SampleRow]:
        """Return the samples finished after entry ``seq``, in that order.

        Parameters
        ----------
        instrument : str, optional
            Only those whose resistance or force this instrument measured.
        tool : str, optional
            Only those that this tool crimped.
        """
        query = tables.found(_sample, tool=tool)
        query = query.where(~_sample.c.unfinished, _sample.c.finished_seq > seq)
        if instrument is not None:
            query = query.where(or_(_sample.c.meter == instrument, _sample.c.tester == instrument))
        return self.read(SampleRow, query.order_by(_sample.c.finished_seq))

    def instruments(self, *, with_samples: bool = True) -> dict[str, str]:
        """Return the role of every instrument on record, by the instrument's name.

        Parameters
        ----------
        with_samples : bool
            Whether those that measured samples and were never calibrated or checked are among them.
        """
        event, used = tables.instrument_event, tables.instrument_used
        found = self.rows(select(event.c.instrument, event.c.role).distinct())
        if with_samples:
            found += self.rows(select(used.c.instrument, used.c.role))
        return {row.instrument: row.role for row in sorted(found, key=lambda row: row.instrument)}

    def calibrations(self, instrument: str) -> list[Entry]:
        """Return the ``instrument_calibrated`` entries of an instrument, oldest first."""
        return self._events(instrument, InstrumentCalibrated.KIND)

    def checks(self, instrument: str) -> list[Entry]:
        """Return the ``instrument_checked`` entries of an instrument, oldest first."""
        return self._events(instrument, InstrumentChecked.KIND)

    def _events(self, instrument: str, kind: str) -> list[Entry]:
        event = tables.instrument_event
        query = select(_entry).join(event, event.c.entry_id == _entry.c.id)
        query = query.where(event.c.instrument == instrument, event.c.kind == kind)
        return self.entries_found(query.order_by(event.c.seq))

    def tools(self) -> list[ToolRow]:
        """Return all tools, by name."""
        return self.read(ToolRow, select(tables.tool).order_by(tables.tool.c.tool))

    def services(self, tool: str, nest: str) -> list[ServiceRow]:
        """Return the services that touched a nest, those of the whole tool among them."""
        service = tables.nest_service
        query = tables.found(service, tool=tool)
        query = query.where(or_(service.c.nest == nest, service.c.nest.is_(None)))
        return self.read(ServiceRow, query.order_by(service.c.seq))

    def baselines(self) -> dict[str, BaselineSet]:
        """Return the latest baseline of every joint, by the joint's key."""
        said = sorted(self.said(BaselineSet), key=lambda one: (one.joint.key, one.baseline_version))
        return {one.joint.key: one for one in said}

    def people(self, *, former: bool = False) -> list[PersonRow]:
        """Return the people at the bench, by name; with ``former``, those who left as well."""
        query = tables.found(tables.person, active=None if former else True)
        return self.read(PersonRow, query.order_by(tables.person.c.name))

    def person(self, name: str) -> PersonRow | None:
        """Return one person, those who left among them, or None if the name is not on record."""
        found = self.read(PersonRow, tables.found(tables.person, name=name))
        return found[0] if found else None

    def audit(
        self, about: str | None = None, limit: int = 100, before_seq: int | None = None
    ) -> list[DoorRow]:
        """Return sign-ins, failures, refusals and changes of people, newest first.

        Parameters
        ----------
        about : str, optional
            Only those of this person's door.
        limit : int
            At most so many.
        before_seq : int, optional
            Only earlier ones than this entry.
        """
        door = tables.door
        query = tables.found(door, about=about).order_by(door.c.seq.desc()).limit(limit)
        if before_seq is not None:
            query = query.where(door.c.seq < before_seq)
        return self.read(DoorRow, query)

    def times_in_doubt(self, seqs: Iterable[int | None]) -> set[int]:
        """Return which of these entries were made while the clock was not known to be set."""
        asked = _entry.c.seq.in_([seq for seq in seqs if seq is not None])
        return {
            row.seq for row in self.rows(select(_entry.c.seq).where(asked, ~_entry.c.clock_synced))
        }

    def head(self) -> Head:
        """Return the last entry's number and hash."""
        query = select(_entry.c.seq, _entry.c.hash).order_by(_entry.c.seq.desc()).limit(1)
        with database.plain_errors(self._path), self._engine.connect() as connection:
            return Head(*(connection.execute(query).first() or (0, FIRST_PREV_HASH)))

    def counts(self) -> Counts:
        """Return how much is on record."""
        counted = (
            select(_tally.c.what, func.sum(_tally.c.n).label("n"))
            .where(_tally.c.quarter == ALL_TIME)
            .group_by(_tally.c.what)
        )
        last = select(func.max(_entry.c.seq)).where(_entry.c.bench == self._bench)
        still_open = select(func.count()).select_from(_sample).where(tables.OPEN_SAMPLE)
        with database.plain_errors(self._path), self._engine.connect() as connection:
            found = {row.what: row.n for row in connection.execute(counted) if row.n}
            entries = connection.scalar(last) or 0
            unfinished = connection.scalar(still_open) or 0
        begun = found.pop(BEGUN, 0)
        return Counts(entries, begun, unfinished, found)

    def verdict_counts(
        self, since: datetime | None = None, until: datetime | None = None
    ) -> dict[str, dict[str, int]]:
        """Return how many samples of each person have which verdict now, by person and verdict.

        Parameters
        ----------
        since, until : datetime, optional
            From and to when they were finished, rounded down to a quarter of an hour, which is as
            fine as is counted: enough for days and shifts in every time zone. Without both, the
            whole record is counted.
        """
        at = _tally.c.quarter
        query = select(_tally.c.person, _tally.c.what, func.sum(_tally.c.n).label("n"))
        if since is None and until is None:
            query = query.where(at == ALL_TIME, _tally.c.what != BEGUN)
        else:
            query = query if since is None else query.where(at >= _quarter(since))
            query = query.where(at < (ALL_TIME if until is None else _quarter(until)))
        counts: dict[str, dict[str, int]] = {}
        for row in self.rows(query.group_by(_tally.c.person, _tally.c.what)):
            if row.n:
                counts.setdefault(row.person, {})[row.what] = row.n
        return counts

    def last_entry_at(self) -> datetime | None:
        """Return when the last entry was made by the clock of then; None where there is none."""
        query = select(_entry.c.at_utc).where(_entry.c.bench == self._bench)
        rows = self.rows(query.order_by(_entry.c.seq.desc()).limit(1))
        return utc_time(rows[0].at_utc) if rows else None

    def is_demo(self) -> bool:
        """Return whether any entry is invented."""
        return bool(self.rows(tables.found(tables.meta, key=FIRST_DEMO_KEY)))

    def entries(
        self, kind: str | None = None, after_seq: int = 0, limit: int | None = None
    ) -> Iterator[Entry]:
        """Yield entries in order, a page at a time, so that any number costs little memory."""
        query = tables.found(_entry, bench=self._bench, kind=kind).order_by(_entry.c.seq)
        if kind is not None and kind not in tables.FREQUENT_KINDS:
            # Said as the index says it, or SQLite does not know that it may be used.
            query = query.where(tables.RARE_KIND)
        left = limit
        while left is None or left > 0:
            size = _PAGE if left is None else min(_PAGE, left)
            found = self.entries_found(query.where(_entry.c.seq > after_seq).limit(size))
            yield from found
            if len(found) < size:
                return
            after_seq = found[-1].seq
            left = None if left is None else left - size

    def said(self, kind: type[P], after_seq: int = 0) -> list[P]:
        """Return what entries of a kind say, in order."""
        payloads = (entry.payload for entry in self.entries(kind.KIND, after_seq))
        return [one for one in payloads if isinstance(one, kind)]

    def numbered(self, seqs: Iterable[int]) -> list[Entry]:
        """Return the entries with these numbers, in order, a page of them to a query."""
        wanted, found = sorted(set(seqs)), list[Entry]()
        query = tables.found(_entry, bench=self._bench).order_by(_entry.c.seq)
        for start in range(0, len(wanted), _PAGE):
            found += self.entries_found(
                query.where(_entry.c.seq.in_(wanted[start : start + _PAGE]))
            )
        return found

    def entry(self, entry_id: str) -> Entry | None:
        """Return one entry, or None if there is none with this id."""
        found = self.entries_found(tables.found(_entry, id=entry_id))
        return found[0] if found else None

    def trace(self, sha256: str, near_seq: int | None = None) -> bytes | None:
        """Return a stored trace, for `decode_trace`, or None if there is none with this key.

        It is found soonest by the number of an entry that names it.
        """
        with database.plain_errors(self._path), self._engine.connect() as connection:
            return TraceRows.of(connection).data(connection, sha256, near_seq)

    def read(self, kind: type[R], query: Select[Any]) -> list[R]:
        """Return what a query of a read table finds, as rows of this kind."""
        return [row_of(kind, row._asdict()) for row in self.rows(query)]

    def entries_found(self, query: Select[Any]) -> list[Entry]:
        """Return the entries that a query finds."""
        return [entry_from_columns(row._asdict()) for row in self.rows(query)]

    def rows(self, query: Select[Any]) -> list[Row[Any]]:
        """Run a query of this package; one consistent state."""
        with database.plain_errors(self._path), self._engine.connect() as connection:
            return list(connection.execute(query))


def _standing_so(verdict: str) -> list[ColumnElement[bool]]:
    if verdict == UNFINISHED:
        return [tables.UNFINISHED, _sample.c.verdict.is_(None)]
    stands = _sample.c.verdict == verdict
    # Said twice, since only so does SQLite see that the index of those may serve.
    return [stands] if verdict == "pass" else [stands, _sample.c.verdict != _PASS]


def _quarter(at: datetime) -> str:
    return quarter_of(utc_text(at))
