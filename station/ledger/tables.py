"""The tables of the ledger.

``entry`` and ``trace`` are the record and never change. All others but ``meta`` are read tables:
derived from the record, and built again whenever `READ_TABLES_VERSION` differs from the one on
file. Change a read table freely and raise that number: there are no other migrations.
"""

from sqlalchemy import (
    Boolean,
    Column,
    Computed,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    and_,
    exists,
    text,
)

READ_TABLES_VERSION = 9

APPLICATION_ID = 0x43525350
"""Marks an SQLite file as a ledger of this station."""

record = MetaData()
read_tables = MetaData()

FREQUENT_KINDS = ("pull_begun", "sample_begun", "sample_finished")
"""Kinds that make up nearly all of a record, so that reading all of it finds them as fast."""

RARE_KIND = text(f"kind NOT IN {FREQUENT_KINDS}")

entry = Table(
    "entry",
    record,
    Column("bench", Text, nullable=False),
    # Alone, since a file is of one bench: such a key is the row's own number and needs no index.
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("kind", Text, nullable=False),
    Column("version", Integer, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("clock_synced", Boolean, nullable=False),
    Column("boot_id", Text, nullable=False),
    Column("monotonic_s", Float, nullable=False),
    Column("person", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("prev_hash", Text, nullable=False),
    Column("hash", Text, nullable=False),
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

meta = Table(
    "meta", record, Column("key", Text, primary_key=True), Column("value", Text, nullable=False)
)

job = Table(
    "job",
    read_tables,
    Column("begun_seq", Integer, primary_key=True, autoincrement=False),
    Column("job_id", Text, ForeignKey(entry.c.id), nullable=False, unique=True),
    Column("job", Text, nullable=False),
    Column("plan_id", Text, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("ended_seq", Integer),
    Column("outcome", Text),
    Column("demo", Boolean, nullable=False),
    Index("job_open", "begun_seq", sqlite_where=text("ended_seq IS NULL")),
)

job_entry = Table(
    "job_entry",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("entry_id", Text, ForeignKey(entry.c.id), nullable=False),
    Column("job_id", Text, ForeignKey("job.job_id"), nullable=False),
    Index("job_entry_by_job", "job_id", "seq"),
)

nest_check = Table(
    "nest_check",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("job_id", Text, ForeignKey("job.job_id"), nullable=False),
    Column("tool", Text, nullable=False),
    Column("nest", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("needs", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    Index("check_by_nest", "tool", "nest", "seq"),
)

nest_hold = Table(
    "nest_hold",
    read_tables,
    Column("held_seq", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("tool", Text, nullable=False),
    Column("nest", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("needs", Text, nullable=False),
    Column("job_id", Text),
    Column("released_seq", Integer),
    Column("demo", Boolean, nullable=False),
    Index("hold_by_nest", "tool", "nest", "held_seq"),
)

work = Table(
    "work",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("day", Text, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("work_order", Text, nullable=False),
    Column("tool", Text, nullable=False),
    Column("nest", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    Index("work_by_nest", "tool", "nest", "day"),
)

sample = Table(
    "sample",
    read_tables,
    Column("begun_seq", Integer, primary_key=True, autoincrement=False),
    Column("finished_seq", Integer),
    Column("unfinished", Boolean, Computed("finished_seq IS NULL", persisted=False)),
    Column("sample_id", Text, ForeignKey(entry.c.id), nullable=False, unique=True),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("job", Text, nullable=False),
    Column("connector", Text, nullable=False),
    Column("wires", Text, nullable=False),
    Column("material", Text, nullable=False),
    Column("tool", Text, nullable=False),
    Column("nest", Text, nullable=False),
    Column("joint_key", Text, nullable=False),
    Column("limit_set", Text, nullable=False),
    Column("limit_standing", Text),
    Column("verdict", Text),
    Column("void_reason", Text),
    Column("splice_ohm", Float),
    Column("splice_u_ohm", Float),
    Column("peak_n", Float),
    Column("peak_u_n", Float),
    Column("pull_limit_n", Float),
    Column("failure_mode", Text),
    # No foreign key: a lost trace is for verify to report, not to stop a rebuild.
    Column("trace_sha256", Text),
    Column("demo", Boolean, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("replaces", Text, ForeignKey("sample.sample_id")),
    Column("meter", Text),
    Column("tester", Text),
    Column("job_id", Text, ForeignKey("job.job_id")),
    Column("step", Text),
    Column("void_by", Text),
    Column("measured_verdict", Text),
    Column("pull_begun_seq", Integer),
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

instrument_used = Table(
    "instrument_used",
    read_tables,
    Column("role", Text, primary_key=True),
    Column("instrument", Text, primary_key=True),
    sqlite_with_rowid=False,
)
"""Which instruments measured samples."""

tally = Table(
    "tally",
    read_tables,
    # The quarter of an hour, UTC, since some zones are not whole hours off; or `ALL_TIME`.
    Column("quarter", Text, primary_key=True),
    Column("person", Text, primary_key=True),
    Column("what", Text, primary_key=True),
    Column("n", Integer, nullable=False),
    sqlite_with_rowid=False,
)
"""How many samples have which verdict, or were begun, so that counting reads a few rows."""

person = Table(
    "person",
    read_tables,
    Column("name", Text, primary_key=True),
    Column("role", Text, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    Column("active", Boolean, nullable=False),
)

door = Table(
    "door",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", Text, nullable=False),
    Column("event", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("way", Text),
    Column("address", Text),
    Column("detail", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    Index("door_by_name", "about", "seq"),
)

tool = Table(
    "tool",
    read_tables,
    Column("tool", Text, primary_key=True),
    Column("description", Text, nullable=False),
    Column("nests", Text, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
)

nest_service = Table(
    "nest_service",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("at_utc", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("tool", Text, nullable=False),
    Column("nest", Text),
    Column("action", Text, nullable=False),
    Column("demo", Boolean, nullable=False),
    Index("service_by_tool", "tool", "seq"),
)

baseline = Table(
    "baseline",
    read_tables,
    Column("joint_key", Text, primary_key=True),
    Column("baseline_version", Integer, primary_key=True, autoincrement=False),
    Column("entry_id", Text, ForeignKey(entry.c.id), nullable=False),
)

instrument_event = Table(
    "instrument_event",
    read_tables,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("entry_id", Text, ForeignKey(entry.c.id), nullable=False),
    Column("kind", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("instrument", Text, nullable=False),
    Index("event_by_instrument", "instrument", "kind", "seq"),
)

# Both, for only so does its index give them in the order in which they were begun.
UNFINISHED = and_(sample.c.unfinished, sample.c.finished_seq.is_(None))
"""Begun, and not finished."""

_later = sample.alias("later")
_replaced = exists().where(_later.c.replaces == sample.c.sample_id)
OPEN_SAMPLE = and_(UNFINISHED, sample.c.verdict.is_(None), ~_replaced)
"""Begun, and neither finished, voided nor replaced by another sample."""

_SAME_ENTRY = "bench = NEW.bench AND seq = NEW.seq OR id = NEW.id"
_SAME_TRACE = "part = NEW.part AND sha256 = NEW.sha256"


def create_record(connection: Connection, bench: str) -> None:
    """Create the tables of the record, and the triggers that let it only grow."""
    record.create_all(connection)
    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    for table, same in (("entry", _SAME_ENTRY), ("trace", _SAME_TRACE)):
        for action in ("UPDATE", "DELETE"):
            _forbid(connection, table, action, "")
        # INSERT OR REPLACE deletes without asking the trigger above.
        exists = f"EXISTS (SELECT 1 FROM {table} WHERE {same})"  # noqa: S608
        _forbid(connection, table, "INSERT", f"WHEN {exists}")
    known = {"bench": bench, "last_seq": "0", "read_tables_version": "none"}
    connection.execute(meta.insert(), [{"key": key, "value": known[key]} for key in known])


def recreate_read_tables(connection: Connection) -> None:
    """Drop every read table, of whatever version, and create those of this version, empty."""
    found = MetaData()
    found.reflect(connection)
    found.drop_all(
        connection, tables=[table for name, table in found.tables.items() if name not in record]
    )
    read_tables.create_all(connection)


def _forbid(connection: Connection, table: str, action: str, condition: str) -> None:
    connection.exec_driver_sql(
        f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} {condition} "
        f"BEGIN SELECT RAISE(ABORT, 'the {table} table only grows'); END"
    )
