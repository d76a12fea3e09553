"""A quick look at a ledger's health, whatever its size: its last entries, its lock, its mixture."""

from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection, select

from station.ledger import database, tables
from station.ledger.chain import FIRST_PREV_HASH, utc_time
from station.ledger.verify import entry_fault, snapshot

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
    with snapshot(path) as connection:
        return _tail(connection, count)


def _tail(connection: Connection, count: int) -> TailReport:
    meta = {row.key: row.value for row in connection.execute(select(tables.meta))}
    last_seq = int(meta["last_seq"])
    newest = select(tables.entry).order_by(tables.entry.c.seq.desc()).limit(count + 1)
    rows = list(reversed(list(connection.execute(newest))))
    ends_at = rows[-1].seq if rows else 0
    last_at = utc_time(rows[-1].at_utc) if rows else None
    before = rows.pop(0).hash if len(rows) > count else FIRST_PREV_HASH
    first_bad = None
    if ends_at != last_seq:
        first_bad = f"entry {last_seq}: it was written, but the record ends at entry {ends_at}"
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
    with snapshot(path) as connection:
        return connection.execute(found).first() is not None
