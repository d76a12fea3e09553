"""The tables of the ledger.

``entry`` and ``trace`` are the record and never change, but that an entry may drop a photo, which
stands among the traces. All others but ``meta`` are read tables: derived from the record, and built
again whenever `READ_TABLES_VERSION` differs from the one on file. Change a
read table freely and raise that number: there are no other migrations.
"""

from collections.abc import Iterator
from dataclasses import fields
from types import NoneType
from typing import Any, get_args

from sqlalchemy import (
    Boolean,
    Column,
    Computed,
    Connection,
    Float,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Select,
    Table,
    Text,
    UniqueConstraint,
    and_,
    exists,
    select,
    text,
)

from station.errors import LedgerDamaged
from station.ledger.entry import Entry
from station.ledger.rows import (
    DoorRow,
    HoldRow,
    JobRow,
    NestCheckRow,
    PersonRow,
    SampleRow,
    ServiceRow,
    ToolLookRow,
    ToolRow,
    WorkRow,
)

READ_TABLES_VERSION = 15

APPLICATION_ID = 0x43525350
"""Marks an SQLite file as a ledger of this station."""

record = MetaData()
read_tables = MetaData()

FREQUENT_KINDS = ("pull_begun", "sample_begun", "sample_finished")
"""Kinds that make up nearly all of a record, so that reading all of it finds them as fast."""

RARE_KIND = text(f"kind NOT IN {FREQUENT_KINDS}")

_TYPES = {bool: Boolean, int: Integer, float: Float}
"""Of columns, by that of the field; those of others are text."""


def _columns(row: type, key: str) -> Iterator[Column[Any]]:
    """Yield a column for every field of what is read from it."""
    for field in fields(row):
        kinds: set[Any] = set(get_args(field.type) or [field.type])
        kind = next((_TYPES[one] for one in _TYPES if one in kinds), Text)
        if field.name == key:
            # Alone: such a key is the row's own number and needs no index.
            yield Column(key, kind, primary_key=True, autoincrement=False)
        else:
            yield Column(field.name, kind, nullable=NoneType in kinds)


def _texts(*names: str, key: bool = False) -> list[Column[str]]:
    return [Column(name, Text, primary_key=key, nullable=False) for name in names]


def _links(column: str, *, to: Column[Any] | str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint([column], [to])


# Its number is a key without the bench, since a file is of one bench.
entry = Table(
    "entry",
    record,
    *_columns(Entry, "seq"),
    UniqueConstraint("id"),
    Index("entry_by_kind", "kind", "seq", sqlite_where=RARE_KIND),
)

trace = Table(
    "trace",
    record,
    # See `station.ledger.trace_rows`.
    Column("part", Integer, primary_key=True, autoincrement=False),
    Column("sha256", Text, primary_key=True),
    Column("data", LargeBinary, nullable=False),
)

trace_without_parts = Table(
    "trace",
    MetaData(),
    Column("sha256", Text, primary_key=True),
    Column("data", LargeBinary, nullable=False),
)
"""What older ledgers have for ``trace``."""

meta = Table("meta", record, Column("key", Text, primary_key=True), *_texts("value"))

job = Table(
    "job",
    read_tables,
    *_columns(JobRow, "begun_seq"),
    UniqueConstraint("job_id"),
    _links("job_id", to=entry.c.id),
    Index("job_open", "begun_seq", sqlite_where=text("ended_seq IS NULL")),
)

job_entry = Table(
    "job_entry",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    *_texts("entry_id", "job_id"),
    _links("entry_id", to=entry.c.id),
    _links("job_id", to=job.c.job_id),
    Index("job_entry_by_job", "job_id", "seq"),
)

nest_check = Table(
    "nest_check",
    read_tables,
    *_columns(NestCheckRow, "seq"),
    _links("job_id", to=job.c.job_id),
    Index("check_by_nest", "tool", "nest", "seq"),
)

nest_hold = Table(
    "nest_hold",
    read_tables,
    *_columns(HoldRow, "held_seq"),
    Index("hold_by_nest", "tool", "nest", "held_seq"),
)

work = Table(
    "work",
    read_tables,
    *_columns(WorkRow, "seq"),
    Index("work_by_nest", "tool", "nest", "day"),
)

# No foreign key of traces: a lost one is for verify to report, not to stop a rebuild.
sample = Table(
    "sample",
    read_tables,
    *_columns(SampleRow, "begun_seq"),
    Column("unfinished", Boolean, Computed("finished_seq IS NULL", persisted=False)),
    UniqueConstraint("sample_id"),
    _links("sample_id", to=entry.c.id),
    _links("replaces", to="sample.sample_id"),
    _links("job_id", to=job.c.job_id),
    Index("sample_by_job", "job_id", "begun_seq", sqlite_where=text("job_id IS NOT NULL")),
    Index("sample_by_nest", "tool", "nest", "begun_seq"),
    Index("sample_by_tool", "tool", "begun_seq"),
    Index("sample_by_person", "person", "begun_seq"),
    # The unfinished come last, beside the latest finishes: a finish moves its sample within a page.
    Index("sample_by_finish", "unfinished", "finished_seq"),
    # Most samples pass: a filter for the others must not read through them.
    Index("sample_not_passed", "verdict", "begun_seq", sqlite_where=text("verdict <> 'pass'")),
    Index("sample_replacing", "replaces", sqlite_where=text("replaces IS NOT NULL")),
)

sample_lot = Table(
    "sample_lot",
    read_tables,
    *_texts("name", key=True),
    Column("begun_seq", Integer, primary_key=True),
    sqlite_with_rowid=False,
)
"""Which samples were of a lot or reel, or made by a tool of this number."""

photo = Table(
    "photo",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    *_texts("at_utc", "person", "sample_id", "sha256"),
    Column("size_bytes", Integer, nullable=False),
    UniqueConstraint("sha256"),
    Index("photo_by_sample", "sample_id", "seq"),
)

photo_dropped = Table("photo_dropped", read_tables, *_texts("sha256", "at_utc", key=True))

instrument_used = Table(
    "instrument_used",
    read_tables,
    *_texts("role", "instrument", key=True),
    sqlite_with_rowid=False,
)
"""Which instruments measured samples."""

tally = Table(
    "tally",
    read_tables,
    # The quarter of an hour, UTC, since some zones are not whole hours off; or `ALL_TIME`.
    *_texts("quarter", "person", "what", key=True),
    Column("n", Integer, nullable=False),
    sqlite_with_rowid=False,
)
"""How many samples have which verdict, or were begun, so that counting reads a few rows."""

person = Table("person", read_tables, *_columns(PersonRow, "name"))

door = Table("door", read_tables, *_columns(DoorRow, "seq"), Index("door_by_name", "about", "seq"))

tool = Table("tool", read_tables, *_columns(ToolRow, "tool"))

nest_service = Table(
    "nest_service",
    read_tables,
    *_columns(ServiceRow, "seq"),
    Index("service_by_tool", "tool", "seq"),
)

tool_look = Table(
    "tool_look",
    read_tables,
    *_columns(ToolLookRow, "seq"),
    Index("look_by_nest", "tool", "nest", "seq"),
)

baseline = Table(
    "baseline",
    read_tables,
    Column("joint_key", Text, primary_key=True),
    Column("baseline_version", Integer, primary_key=True, autoincrement=False),
    *_texts("entry_id"),
    _links("entry_id", to=entry.c.id),
)

instrument_event = Table(
    "instrument_event",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    *_texts("entry_id", "kind", "role", "instrument"),
    _links("entry_id", to=entry.c.id),
    Index("event_by_instrument", "instrument", "kind", "seq"),
)

# Both, for only so does its index give them in the order in which they were begun.
UNFINISHED = and_(sample.c.unfinished, sample.c.finished_seq.is_(None))
"""Begun, and not finished."""

_later = sample.alias("later")
_replaced = exists().where(_later.c.replaces == sample.c.sample_id)
OPEN_SAMPLE = and_(UNFINISHED, sample.c.verdict.is_(None), ~_replaced)
"""Begun, and neither finished, voided nor replaced by another sample."""

_OTHERS = (
    "SELECT type, name FROM sqlite_master "
    "WHERE type IN ({}) AND sql IS NOT NULL AND name <> 'entry_by_kind'"
)
_SAME_ENTRY = "bench = NEW.bench AND seq = NEW.seq OR id = NEW.id"
_SAME_TRACE = "part = NEW.part AND sha256 = NEW.sha256"
# Only a photo goes, and only with the entry that says so: no trace of a pull.
_NOT_DROPPED = (
    "WHEN (SELECT count(DISTINCT kind) FROM entry WHERE kind IN ('photo_taken', 'photo_dropped') "  # noqa: S608
    f"AND {RARE_KIND} AND json_extract(payload, '$.sha256') = OLD.sha256) < 2"
)
_HAS_PARTS = "SELECT 1 FROM pragma_table_info('trace') WHERE name = 'part'"


def found(table: Table, **wanted: object) -> Select[Any]:
    """Return the query for a table's rows that have what is wanted; None asks for any."""
    return select(table).filter_by(
        **{name: value for name, value in wanted.items() if value is not None}
    )


def facts(connection: Connection) -> dict[str, str]:
    """Return what the ledger says of itself: its bench, its last entry, its version.

    Raises
    ------
    LedgerDamaged
        It does not say the first two.
    """
    found = {row.key: row.value for row in connection.execute(select(meta))}
    for key in ("bench", "last_seq"):
        if key not in found:
            raise LedgerDamaged(f"meta {key}: it is missing: restore a backup")
    return found


def create_record(connection: Connection, bench: str) -> None:
    """Create the tables of the record, and the triggers that let it only grow."""
    record.create_all(connection)
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    _let_only_grow(connection)
    known = {"bench": bench, "last_seq": "0", "read_tables_version": "none"}
    connection.execute(meta.insert(), [{"key": key, "value": known[key]} for key in known])


def traces_have_parts(connection: Connection) -> bool:
    """Whether traces stand in parts, which those of older ledgers do not."""
    return connection.exec_driver_sql(_HAS_PARTS).first() is not None


def _let_only_grow(connection: Connection) -> None:
    same_trace = _SAME_TRACE if traces_have_parts(connection) else "sha256 = NEW.sha256"
    for table, same in (("entry", _SAME_ENTRY), ("trace", same_trace)):
        for action in ("UPDATE", "DELETE"):
            may_go = (table, action) == ("trace", "DELETE")
            _forbid(connection, table, action, _NOT_DROPPED if may_go else "")
        # INSERT OR REPLACE deletes without asking the trigger above.
        exists = f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608
        _forbid(connection, table, "INSERT", f"WHEN {exists}")


def recreate_read_tables(connection: Connection) -> None:
    """Drop every read table, of whatever version, and create those of this version, empty.

    What is no table goes as well, whoever made it; the triggers of the record are made again.
    """
    _drop(connection, "'trigger', 'view'")
    found = MetaData()
    found.reflect(connection)
    found.drop_all(
        connection, tables=[table for name, table in found.tables.items() if name not in record]
    )
    # Last: a dropped table asks its index, row by row, who refers to it.
    _drop(connection, "'index'")
    _let_only_grow(connection)
    read_tables.create_all(connection)


def _drop(connection: Connection, kinds: str) -> None:
    for kind, name in connection.exec_driver_sql(_OTHERS.format(kinds)).fetchall():
        connection.exec_driver_sql(f'DROP {kind} "{name}"')


def _forbid(connection: Connection, table: str, action: str, condition: str) -> None:
    connection.exec_driver_sql(
        f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} {condition} "
        f"BEGIN SELECT RAISE(ABORT, 'the {table} table only grows'); END"
    )
