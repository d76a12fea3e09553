"""The database guards itself: everything here is tried with plain SQL, without the station."""

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from sqlalchemy import exc, text

from station.ledger.chain import FIRST_PREV_HASH, HASHED_COLUMNS, entry_hash, spelled
from station.share.prepare import SQL
from station.share.push import push
from tests.postgres import ADMIN, Postgres, binaries
from tests.station.share.conftest import Record, contents

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

COLUMNS = (*HASHED_COLUMNS, "hash")
INSERT = (
    f"INSERT INTO shared.entry ({', '.join(COLUMNS)}) "
    f"VALUES ({', '.join(f':{name}' for name in COLUMNS)})"
)
ENTRY: dict[str, Any] = {
    "bench": "bench-1", "seq": 1, "id": "id-1", "kind": "tool_added", "version": 1,
    "at_utc": "2024-03-01T08:00:00.000000Z", "clock_synced": True, "boot_id": "invented",
    "monotonic_s": 1.0, "person": "Benno", "payload": "{}", "prev_hash": FIRST_PREV_HASH,
}  # fmt: skip


def hashed(entry: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """An entry as it is inserted, its hash right."""
    row = entry | changes
    return row | {"hash": entry_hash(row), "monotonic_s": spelled(row["monotonic_s"])}


def after(last: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """The entry that follows."""
    return hashed(ENTRY, **{"seq": last["seq"] + 1, "prev_hash": last["hash"]} | changes)


def attempt(record: Record, statement: str, role: str = "bench_bench-1", **values: Any) -> str:
    """What the database says to a statement; an empty text where it does it."""
    try:
        with record.engine(role).begin() as connection:
            connection.execute(text(statement), values)
    except exc.DBAPIError as error:
        return str(error.orig)
    return ""


FIRST = hashed(ENTRY)


@pytest.fixture(scope="module")
def guarded(postgres: Postgres) -> Record:
    """One for all that is refused and leaves it as it was: two benches, one entry, a reader."""
    made = Record(postgres, postgres.database())
    made.add("bench-1", "bench-2", readers=("ann",))
    assert attempt(made, INSERT, **FIRST) == ""
    return made


def count(record: Record) -> int:
    return int(record.rows("SELECT count(*) FROM shared.entry")[0][0])


def test_the_next_entry_of_its_own_chain_is_all_that_a_bench_may_add(
    record: Record,
) -> None:
    assert attempt(record, INSERT, **FIRST) == ""
    second = after(FIRST)
    assert attempt(record, INSERT, **second) == ""
    assert attempt(record, INSERT, **after(second)) == ""
    assert count(record) == 3


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"seq": 3}, "does not follow"),
        ({"seq": 1}, "does not follow"),
        ({"seq": 0, "prev_hash": FIRST_PREV_HASH}, "does not follow|entry_seq_check"),
        ({"seq": -1}, "does not follow|entry_seq_check"),
        ({"seq": 1, "prev_hash": FIRST_PREV_HASH}, "entry_pkey"),
        ({"prev_hash": "f" * 64}, "does not follow"),
        ({"prev_hash": FIRST_PREV_HASH}, "does not follow"),
        ({"prev_hash": None}, "does not follow"),
        ({"bench": "bench-2", "seq": 1, "prev_hash": FIRST_PREV_HASH}, "row-level security"),
        ({"bench": "bench-2"}, "does not follow|row-level security"),
        ({"bench": "nobody", "seq": 1, "prev_hash": FIRST_PREV_HASH}, "row-level security"),
    ],
)
def test_a_gap_a_fork_another_bench_are_refused(
    guarded: Record, changes: dict[str, Any], words: str
) -> None:
    said = attempt(guarded, INSERT, **after(FIRST, **changes))
    assert any(word in said for word in words.split("|")), said
    assert count(guarded) == 1


@pytest.mark.parametrize("column", [name for name in COLUMNS if name not in ("bench", "seq")])
def test_an_entry_that_is_not_what_its_hash_says_is_refused(guarded: Record, column: str) -> None:
    row = after(FIRST)
    odd = {"version": 2, "clock_synced": False, "monotonic_s": "1"}.get(column, f"{row[column]} ")
    said = attempt(guarded, INSERT, **row | {column: odd})
    assert "does not match its hash" in said or "does not follow" in said
    assert count(guarded) == 1


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE shared.entry SET person = 'X'",
        "UPDATE shared.entry SET seq = seq WHERE false",
        "DELETE FROM shared.entry",
        "DELETE FROM shared.trace WHERE false",
        "UPDATE shared.trace SET data = ''",
        "TRUNCATE shared.entry",
        "TRUNCATE shared.trace",
        "INSERT INTO shared.entry (bench, received) VALUES ('bench-1', now())",
        "INSERT INTO shared.bench VALUES ('bench-9', 'bench_bench-9')",
        "UPDATE shared.bench SET role = 'bench_bench-1'",
        "DELETE FROM shared.bench",
        "DROP TRIGGER next_of_chain ON shared.entry",
        "ALTER TABLE shared.entry DISABLE ROW LEVEL SECURITY",
        "DROP POLICY own_entries ON shared.entry",
        "CREATE OR REPLACE FUNCTION shared.hash_of(e shared.entry) RETURNS text LANGUAGE sql "
        "AS 'SELECT e.hash'",
        "CREATE TABLE shared.mine (n integer)",
        "CREATE SCHEMA mine",
        "SELECT shared.add_bench('bench-9', 'bench_bench-9')",
        "SELECT shared.add_reader('bench_bench-1')",
        "SET session_replication_role = replica",
        'SET ROLE "bench_bench-2"',
        "SET ROLE admin",
        "COPY shared.entry (bench) FROM STDIN",
        "LOCK TABLE shared.entry IN ACCESS EXCLUSIVE MODE",
    ],
)
@pytest.mark.parametrize("role", ["bench_bench-1", "ann"])
def test_nobody_changes_removes_or_opens_anything(
    guarded: Record, statement: str, role: str
) -> None:
    said = attempt(guarded, statement, role)
    refusals = ("permission denied", "must be owner", "violates row-level", "not supported")
    assert any(words in said for words in refusals), said
    assert count(guarded) == 1


@pytest.mark.parametrize("table", ["entry", "trace"])
@pytest.mark.parametrize("action", ["UPDATE {} SET bench = bench", "DELETE FROM {}", "TRUNCATE {}"])
def test_a_slip_of_the_owner_is_refused_too(guarded: Record, table: str, action: str) -> None:
    assert "only grows" in attempt(guarded, action.format(f"shared.{table}"), "admin")


def test_a_shadow_of_what_the_guard_uses_does_not_deceive_it(
    record: Record,
) -> None:
    """Even where an administrator lets a bench make a schema of its own."""
    with record.engine().begin() as connection:
        connection.exec_driver_sql(f'GRANT CREATE ON DATABASE {record.database} TO "bench_bench-1"')
    with record.engine("bench_bench-1").connect() as connection:
        for statement in (
            "CREATE SCHEMA evil",
            "CREATE FUNCTION evil.sha256(bytea) RETURNS bytea LANGUAGE sql AS 'SELECT $1'",
            "CREATE FUNCTION evil.same(text, text) RETURNS boolean LANGUAGE sql AS 'SELECT true'",
            "CREATE OPERATOR evil.= (LEFTARG = text, RIGHTARG = text, FUNCTION = evil.same)",
            "SET search_path = evil, pg_catalog",
        ):
            connection.exec_driver_sql(statement)
        with pytest.raises(exc.DBAPIError, match="does not match its hash"):
            connection.execute(text(INSERT), FIRST | {"hash": "f" * 64})


def test_a_bench_sees_its_own_and_people_see_all(
    record: Record, bench_ledger: Callable[[str], Path]
) -> None:
    record.add("bench-2", readers=("ann",))
    entries = {}
    for bench in ("bench-1", "bench-2"):
        ledger = bench_ledger(bench)
        push(ledger, record.where(bench))
        entries[bench] = len(contents(ledger))
    seen = "SELECT bench, count(*)::int FROM shared.{} GROUP BY bench ORDER BY bench"
    assert record.rows(seen.format("entry"), "bench_bench-2") == [("bench-2", entries["bench-2"])]
    assert [row.bench for row in record.rows(seen.format("trace"), "bench_bench-2")] == ["bench-2"]
    assert dict(map(tuple, record.rows(seen.format("entry"), "ann"))) == entries
    far = "SELECT bench, entries, last_hash IS NOT NULL FROM shared.benches ORDER BY bench"
    assert record.rows(far, "ann") == [(bench, entries[bench], True) for bench in sorted(entries)]


def test_a_spoiled_trace_is_only_in_the_way_of_the_bench_that_sent_it(guarded: Record) -> None:
    insert = "INSERT INTO shared.trace VALUES ('{}', 'abc', 'lie')"
    assert attempt(guarded, insert.format("bench-1")) == ""
    assert attempt(guarded, insert.format("bench-1"), "bench_bench-2") != ""
    assert attempt(guarded, insert.format("bench-2"), "bench_bench-2") == ""


TEXTS = st.text(st.characters(exclude_characters="\0", codec="utf-8"), max_size=30)


@pytest.fixture(scope="module")
def hash_there(guarded: Record) -> Iterator[Callable[[dict[str, Any]], str]]:
    fields = ", ".join(
        f"CAST(:{name} AS {kind})"
        for name, kind in {
            "bench": "text", "seq": "bigint", "id": "text", "kind": "text", "version": "integer",
            "at_utc": "text", "clock_synced": "boolean", "boot_id": "text", "monotonic_s": "text",
            "person": "text", "payload": "text", "prev_hash": "text",
        }.items()
    )  # fmt: skip
    query = text(f"SELECT shared.hash_of(ROW({fields}, '', now())::shared.entry)")
    with guarded.engine().connect() as connection:
        yield lambda row: str(connection.scalar(query, row))


@given(
    row=st.fixed_dictionaries(
        dict.fromkeys(("bench", "id", "kind", "at_utc", "boot_id", "person", "payload"), TEXTS)
        | {"prev_hash": TEXTS, "clock_synced": st.booleans()}
        | {"seq": st.integers(1, 2**63 - 1), "version": st.integers(1, 2**31 - 1)}
        | {"monotonic_s": st.floats(allow_nan=False, allow_infinity=False)}
    )
)
@example(row=ENTRY | {"person": '\x01\x1f\x7f\x80\u2028"\\/\b\f\n\r\t<é€😀'})
@example(row=ENTRY | {"monotonic_s": 1e22})
@example(row=ENTRY | {"monotonic_s": 5e-324})
@example(row=ENTRY | {"monotonic_s": -0.0})
def test_the_database_and_the_bench_compute_the_same_hash(
    hash_there: Callable[[dict[str, Any]], str], row: dict[str, Any]
) -> None:
    assert hash_there(row | {"monotonic_s": spelled(row["monotonic_s"])}) == entry_hash(row)


def test_the_file_runs_by_psql_alone(guarded: Record) -> None:
    done = subprocess.run(
        [binaries() / "psql", "-q", "-v", "ON_ERROR_STOP=1", "-U", ADMIN,
         "-h", guarded.server.folder, "-d", guarded.server.database(), "-f", SQL],
        capture_output=True, text=True, check=False, env=dict(os.environ),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
