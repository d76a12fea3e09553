"""The read tables derived again from the entries, and compared row by row with the ledger's own.

Nothing is written to the ledger: the tables grow anew among the connection's temporary ones, which
SQLite keeps on the disk where they are large, and which hide those of the file from `derive`.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from functools import cache

from sqlalchemy import Connection, MetaData, Table, create_engine, exc, or_, select

from station.errors import BadInput, LedgerDamaged
from station.ledger import database, tables
from station.ledger.derive import derive
from station.ledger.entry import entry_from_columns

MOST = 20
"""So many differences of one table are named at most."""

_VERSION = "read_tables_version"
_FED_BY_FREQUENT_KINDS = {"sample", "sample_lot", "instrument_used"}
"""Tables that have more rows than the last entries and those of rare kinds give them."""
_COUNT_ALL = {"tally", "meta"}
"""Tables that are right only of all entries."""
_AS_IT_WAS = {"index entry_by_kind", *(f"table {name}" for name in tables.record.tables)}
"""What stays as it was when the ledger was made: its hashes prove what is in it."""

_again = MetaData()
# Links to the file's own entries lead out of the temporary tables, and are left out by the dialect.
tables.entry.to_metadata(_again, schema="main")
_AGAIN = [
    one.to_metadata(
        _again,
        schema="temp",
        referred_schema_fn=lambda _table, schema, link, _was: (
            "main" if link.elements[0].target_fullname.startswith("entry.") else schema
        ),
    )
    for one in (*tables.read_tables.sorted_tables, tables.meta)
]


def differences(
    connection: Connection,
    *,
    tail: int | None = None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[str]:
    """Yield what the read tables say that the entries do not, and the other way round.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        To the ledger, for reading; its entries are sound. It is of no other use afterwards.
    tail : int, optional
        Look only at samples among so many last entries, and at all that is not of samples.
    progress : callable, optional
        Told how many entries were derived again.
    """
    facts = tables.facts(connection)
    if facts.get(_VERSION) != str(tables.READ_TABLES_VERSION):
        yield (
            f"meta {_VERSION}: it is {facts.get(_VERSION)!r}, this station reads "
            f"{tables.READ_TABLES_VERSION}: they are built again when it next starts"
        )
        return
    after = 0 if tail is None else max(0, int(facts["last_seq"]) - tail)
    yield from _of_schema(connection)
    if not after:
        for (found,) in connection.exec_driver_sql(f"PRAGMA main.integrity_check({MOST})"):
            if found != "ok":
                yield f"file: {' '.join(str(found).split())}"
    yield from derived_again(connection, after, progress)
    for table in _AGAIN:
        if not after or table.name not in _COUNT_ALL:
            yield from _of_rows(connection, table, in_part=bool(after))


def derived_again(
    connection: Connection, after: int = 0, progress: Callable[[int], None] | None = None
) -> Iterator[str]:
    """Derive the tables anew; from then on the connection reads these in place of the file's.

    Yields what entries say that cannot be. The parameters are those of `differences`; of entries
    up to ``after`` only the rare kinds are derived.
    """
    bench = tables.facts(connection)["bench"]
    _again.create_all(connection, tables=_AGAIN)
    entries = select(tables.entry).order_by(tables.entry.c.seq)
    if after:
        entries = entries.where(or_(tables.entry.c.seq > after, tables.RARE_KIND))
    done = 0
    for done, row in enumerate(database.stream(connection, entries), start=1):
        bench = row.bench
        try:
            derive(connection, entry_from_columns(row._asdict()))
        except (BadInput, LedgerDamaged, exc.IntegrityError) as error:
            # What was said before the tail is not there to be contradicted.
            if not after:
                yield f"entry {row.seq} ({row.id}): {error}"
        if progress and done % database.ROWS_AT_A_TIME == 0:
            progress(done)
    due = {"bench": bench, "last_seq": done, _VERSION: tables.READ_TABLES_VERSION}
    made = [{"key": key, "value": str(value)} for key, value in due.items()]
    connection.execute(_again.tables["temp.meta"].insert(), made)


def _of_rows(connection: Connection, table: Table, *, in_part: bool) -> Iterator[str]:
    names = [f'"{one.name}"' for one in table.c]
    keys = [names.index(f'"{one.name}"') for one in table.primary_key]
    same = " AND ".join(f"stored.{names[key]} = due.{names[key]}" for key in keys)
    unlike = " OR ".join(f"stored.{name} IS NOT due.{name}" for name in names)
    stored, due = (", ".join(f"{alias}.{name}" for name in names) for alias in ("stored", "due"))
    tables_of = f'temp."{table.name}" AS due', f'main."{table.name}" AS stored'
    wanting = (
        f"{due}, {stored} FROM {tables_of[0]} LEFT JOIN {tables_of[1]} ON {same} WHERE {unlike}"
    )
    extra = (
        f"{stored} FROM {tables_of[1]} LEFT JOIN {tables_of[0]} ON {same} "
        f"WHERE due.{names[keys[0]]} IS NULL"
    )
    whole = not in_part or table.name not in _FED_BY_FREQUENT_KINDS
    for query in (wanting, extra) if whole else (wanting,):
        try:
            for row in connection.exec_driver_sql(f"SELECT {query} LIMIT {MOST}"):
                named = f"{table.name} {', '.join(str(row[key]) for key in keys)}"
                yield f"{named}: {_unlike(table, row[: len(names)], row[len(names) :], keys[0])}"
        except exc.DatabaseError as error:
            yield f"{table.name}: it cannot be compared ({error.orig})"


def _unlike(table: Table, due: Sequence[object], stored: Sequence[object], key: int) -> str:
    if not stored:
        return "no entry says so"
    if stored[key] is None:
        return "it is missing"
    return "; ".join(
        f"{column.name} is {there!r:.50}, the entries say {meant!r:.50}"
        for column, meant, there in zip(table.c, due, stored, strict=True)
        if (type(meant), meant) != (type(there), there)
    )


def _of_schema(connection: Connection) -> Iterator[str]:
    due, found = _made(), _schema(connection)
    older = not tables.traces_have_parts(connection)
    for name in sorted({*due, *found}):
        if older and tables.trace.name in name:
            continue
        if name not in found:
            yield f"{name}: it is missing"
        elif name not in due:
            yield f"{name}: this station makes none"
        elif due[name][:1] != found[name][:1] or (
            name not in _AS_IT_WAS and due[name] != found[name]
        ):
            yield f"{name}: it is not as this station makes it"


@cache
def _made() -> dict[str, list[str]]:
    with create_engine("sqlite://").begin() as connection:
        tables.create_record(connection, "")
        tables.read_tables.create_all(connection)
        return _schema(connection)


def _schema(connection: Connection) -> dict[str, list[str]]:
    """Return what the file has: its table and columns, and what made it, in whatever spacing."""
    rows = connection.exec_driver_sql(
        "SELECT type, name, tbl_name || ifnull((SELECT group_concat(name || ' ' || type) "
        "FROM pragma_table_info(one.name)), ''), sql FROM main.sqlite_master AS one"
    )
    return {
        f"{kind} {name}": [table, *sorted(re.sub(r"\s", "", sql or "").split(","))]
        for kind, name, table, sql in rows
    }
