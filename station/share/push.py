"""A bench's entries and traces into the shared record: in order, in batches, each whole or not.

Nothing is noted on the bench: where to go on is what the shared record has. So it may break off
anywhere, and the same twice is nothing twice.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select, text

from station.errors import LedgerDamaged, SharedRefused
from station.ledger import tables
from station.ledger.chain import FIRST_PREV_HASH, HASHED_COLUMNS, Head, Moment, spelled
from station.ledger.clock import now
from station.ledger.trace_rows import TraceRows
from station.ledger.verify import NAMED, Progress, snapshot
from station.settings import ShareSettings
from station.share.database import head_there, plain_refusals, shared_record

BATCH = 500
"""Entries to a transaction (our own choice)."""

WRONG_CLOCK_S = 300.0
"""A clock that differs more from the server's is wrong (our own choice)."""

_NAMES = (*HASHED_COLUMNS, "hash")
_COLUMNS = ", ".join(_NAMES)

# As JSON, numbers come as they are spelled under the hash.
_ENTRIES = text(
    f"INSERT INTO shared.entry ({_COLUMNS}) SELECT {_COLUMNS} "  # noqa: S608
    "FROM json_populate_recordset(NULL::shared.entry, CAST(:rows AS json))"
)
_TRACES = text(
    "INSERT INTO shared.trace SELECT CAST(:bench AS text), * "
    "FROM unnest(CAST(:keys AS text[]), CAST(:data AS bytea[])) ON CONFLICT DO NOTHING"
)
_ONE_AT_A_TIME = text("SELECT pg_advisory_xact_lock(hashtextextended(:bench, 0))")
_HASH_THERE = text("SELECT hash FROM shared.entry WHERE bench = :bench AND seq = :seq")
_TIME_THERE = text("SELECT extract(epoch FROM clock_timestamp())::double precision")
_RECEIVED = text("SELECT received::text FROM shared.benches WHERE bench = :bench")

_entry = tables.entry


@dataclass(frozen=True)
class Standing:
    """How far the shared record is behind a bench.

    The last entry on the bench and there; the first that differs, if any; when the last came there.
    """

    bench: str
    here: Head
    there: Head
    differs_at: int | None
    received: str | None

    @property
    def behind(self) -> int:
        """How many entries are still to go; fewer than none where the ledger is an older copy."""
        return self.here.seq - self.there.seq

    def demand_one_history(self) -> None:
        """See that the shared record has a part of this ledger (SharedRefused where not)."""
        twin = "or another bench has the same name. Nothing was sent and nothing is lost"
        if self.differs_at is not None:
            raise SharedRefused(
                f"Entry {self.differs_at} of {self.bench} is not the one in the shared record: "
                f"this ledger was written anew from there on, {twin}: 'station ledger verify' and "
                "whoever keeps the shared record can say which is right."
            )
        if self.behind < 0:
            raise SharedRefused(
                f"The shared record has {self.there.seq} entries of {self.bench}, this ledger "
                f"only {self.here.seq}: it is an older copy, {twin}: 'station share restore' "
                "makes the whole ledger again."
            )


def standing(path: Path, where: ShareSettings) -> Standing:
    """Compare a ledger with the shared record.

    Raises
    ------
    BadInput, LedgerDamaged
        There is no sound ledger, or the database is not prepared.
    SharedAway, SharedRefused
        The shared record cannot be reached, or has no right for this.
    """
    with (
        snapshot(path, forgive_text=False) as here,
        plain_refusals(),
        shared_record(where).connect() as there,
    ):
        return _standing(here, there)


def push(
    path: Path,
    where: ShareSettings,
    progress: Progress | None = None,
    clock: Callable[[], Moment] = now,
) -> int:
    """Copy what the shared record does not have yet; return how many entries.

    The ledger is only read. Raises as `standing` does, and SharedRefused where the two have
    different histories, or the bench's clock and the server's differ by `WRONG_CLOCK_S`.
    """
    sent, there_is_more = 0, True
    with plain_refusals(), shared_record(where).connect() as there:
        while there_is_more:
            # Innermost, or the ledger's own would take PostgreSQL's failures for those of its file.
            with snapshot(path, forgive_text=False) as here, plain_refusals(), there.begin():
                there.execute(_ONE_AT_A_TIME, {"bench": tables.facts(here)["bench"]})
                found = _standing(here, there)
                found.demand_one_history()
                _demand_clock(found.bench, clock(), there.execute(_TIME_THERE).scalar_one())
                begin, end = found.there.seq, min(found.there.seq + BATCH, found.here.seq)
                if begin < end:
                    send(there, found.bench, _rows(here, begin, end), _traces(here, begin, end))
            sent += end - begin
            there_is_more = end < found.here.seq
            if progress:
                progress(end, found.here.seq)
    return sent


def send(
    there: Connection, bench: str, rows: list[dict[str, Any]], traces: dict[str, bytes]
) -> None:
    """Insert a bench's next entries, and before them the traces that they name."""
    there.execute(_TRACES, {"bench": bench, "keys": list(traces), "data": list(traces.values())})
    there.execute(_ENTRIES, {"rows": spelled(rows)})


def _rows(here: Connection, begin: int, end: int) -> list[dict[str, Any]]:
    due = select(*(_entry.c[name] for name in _NAMES)).where(_entry.c.seq.between(begin + 1, end))
    return [dict(zip(_NAMES, row, strict=True)) for row in here.execute(due.order_by("seq"))]


def _traces(here: Connection, begin: int, end: int) -> dict[str, bytes]:
    stored, found = TraceRows.of(here), {}
    for key, seq in here.execute(select(NAMED).where(NAMED.c.seq.between(begin + 1, end))):
        data = stored.data(here, key, seq)
        if data is None:
            raise LedgerDamaged(
                f"Trace {key}, which entry {seq} names, is missing: verify the ledger and restore "
                "a backup."
            )
        found[key] = data
    return found


def _standing(here: Connection, there: Connection) -> Standing:
    bench = tables.facts(here)["bench"]
    last = here.scalar(select(func.max(_entry.c.seq))) or 0
    last_there = head_there(there, bench)
    differs_at = _first_difference(here, there, bench, min(last, last_there.seq))
    received = there.scalar(_RECEIVED, {"bench": bench})
    return Standing(bench, Head(last, _hash_here(here, last)), last_there, differs_at, received)


def _first_difference(here: Connection, there: Connection, bench: str, upto: int) -> int | None:
    """Return the first entry up to this that differs: after it, all do, for each has the last."""

    def same(seq: int) -> bool:
        found = there.scalar(_HASH_THERE, {"bench": bench, "seq": seq})
        return bool(found == _hash_here(here, seq))

    if upto == 0 or same(upto):
        return None
    alike, unlike = 0, upto
    while unlike - alike > 1:
        middle = (alike + unlike) // 2
        alike, unlike = (middle, unlike) if same(middle) else (alike, middle)
    return unlike


def _hash_here(here: Connection, seq: int) -> str:
    return here.scalar(select(_entry.c.hash).where(_entry.c.seq == seq)) or FIRST_PREV_HASH


def _demand_clock(bench: str, moment: Moment, server_s: float) -> None:
    off_s = moment.at_utc.timestamp() - server_s
    if abs(off_s) > WRONG_CLOCK_S:
        raise SharedRefused(
            f"The clock of {bench} is {abs(off_s) / 60.0:.0f} min "
            f"{'ahead of' if off_s > 0.0 else 'behind'} the server's: set whichever is wrong. "
            "Nothing was sent and nothing is lost: it goes once they agree."
        )
