"""Whatever is changed in what people look at, verify names the row; what is sound stays sound."""

import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from station.errors import LedgerDamaged
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.verify import VerifyReport, verify_ledger, verify_tail
from tests.station.ledger.test_verify import tampering

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

EDITS = FLIPS = int(os.environ.get("LEDGER_EDITS", "40"))
"""In the suite; 200 were asked for and found."""


@pytest.fixture
def sound(full_ledger: Ledger) -> Path:
    """A closed ledger in one file, with every kind of entry."""
    full_ledger.close()
    with closing(sqlite3.connect(full_ledger.path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    return full_ledger.path


@pytest.fixture
def fresh(sound: Path, tmp_path: Path) -> Callable[[], Path]:
    def copy() -> Path:
        target = tmp_path / "changed.ledger"
        for suffix in ("-wal", "-shm", "-journal"):
            target.with_name(target.name + suffix).unlink(missing_ok=True)
        shutil.copyfile(sound, target)
        return target

    return copy


def faults(report: VerifyReport) -> list[str]:
    return [report.first_bad] if report.first_bad else list(report.differences)


def another(rng: random.Random, value: Any) -> Any:
    """A value of the same kind that is not this one, and that the column takes as it is."""
    if value is None:
        return "invented"
    if isinstance(value, bytes):
        place = rng.randrange(2, len(value))
        return value[:place] + bytes([value[place] ^ 1 << rng.randrange(8)]) + value[place + 1 :]
    if isinstance(value, str):
        return rng.choice([value + "x", value[:-1] + "\x7f", "", value.upper() + "!"])
    return 1 - value if value in (0, 1) and rng.random() < 0.5 else value + rng.choice([1, -3, 100])


def tables_of(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        return sorted(name for (name,) in found)


def edit(rng: random.Random, connection: sqlite3.Connection, table: str) -> str:
    """Change, remove or add one row of a table; return what verify must name."""
    connection.execute("PRAGMA ignore_check_constraints = ON")
    columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
    names = [column[1] for column in columns]
    keys = [column[1] for column in columns if column[5]]
    row = rng.choice(connection.execute(f"SELECT {', '.join(names)} FROM {table}").fetchall())
    key = [row[names.index(name)] for name in keys]
    where = " AND ".join(f"{name} = ?" for name in keys)
    act = rng.choice(["change", "change", "change", "remove", "add"])
    if act == "remove":
        connection.execute(f"DELETE FROM {table} WHERE {where}", key)
    elif act == "add":
        new = {name: another(rng, row[names.index(name)]) for name in keys}
        new |= {name: another(rng, row[names.index(name)]) for name in ("id", "sample_id", "job_id")
                if name in names and name not in new}  # fmt: skip
        row = tuple(new.get(name, value) for name, value in zip(names, row, strict=True))
        marks = ", ".join("?" * len(names))
        connection.execute(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", row)
        key = [new[name] for name in keys]
    else:
        name = rng.choice(names)
        value = another(rng, row[names.index(name)])
        if name == "sha256":
            row = tuple(value if one == "sha256" else row[names.index(one)] for one in names)
        connection.execute(f"UPDATE {table} SET {name} = ? WHERE {where}", [value, *key])
    if table == "trace":
        return f"trace {row[names.index('sha256')]}"
    return f"{table} {', '.join(map(str, key))}"


def test_edits_of_any_table_are_all_named(fresh: Callable[[], Path]) -> None:
    rng = random.Random(11)
    tables = tables_of(fresh())
    edited, done = set(), 0
    while done < EDITS:
        path = fresh()
        try:
            with tampering(path) as connection:
                named = edit(rng, connection, tables[done % len(tables)])
        except sqlite3.IntegrityError:
            # Not even a forger could: another row has that key.
            continue
        found = faults(verify_ledger(path))
        if named == "meta last_seq":
            named = "it was written, but the record ends at" if found[0][0] == "e" else named
        assert any(named in one for one in found), f"{named} was changed; found {found}"
        done += 1
        edited.add(named.split()[0])
        if done % 20 == 0:
            assert verify_ledger(fresh()).fault is None
    assert edited == set(tables)
    print(f"{done} edits of {len(tables)} tables, all named: {', '.join(tables)}")


@pytest.mark.parametrize(
    "change",
    [
        "sql = replace(sql, 'boot_id TEXT', 'boot_id TGXT') WHERE name = 'entry'",
        "tbl_name = 'nEst_service' WHERE name = 'nest_service'",
    ],
)
def test_what_a_table_is_made_of_is_looked_at_too(fresh: Callable[[], Path], change: str) -> None:
    path = fresh()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(f"UPDATE sqlite_master SET {change}")
        connection.commit()
    assert "it is not as this station makes it" in (verify_ledger(path).fault or "")


def content(path: Path) -> list[list[Any]]:
    """All that can be read of a file, and whether its indexes hold it."""
    with closing(sqlite3.connect(path)) as connection:
        connection.text_factory = bytes
        schema = "SELECT type, name, tbl_name, sql FROM sqlite_master"
        tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        queries = [schema, "PRAGMA integrity_check"]
        queries += [f"SELECT * FROM {name.decode()}" for (name,) in tables.fetchall()]
        found = [sorted(connection.execute(query).fetchall(), key=repr) for query in queries]
    # A space that became another says nothing else.
    found[0] = [(*row[:3], (row[3] or b"").split()) for row in found[0]]
    return found


@pytest.mark.parametrize("key", ["bench", "last_seq"])
def test_what_the_ledger_must_say_of_itself_is_missed(fresh: Callable[[], Path], key: str) -> None:
    path = fresh()
    with tampering(path) as connection:
        connection.execute("DELETE FROM meta WHERE key = ?", [key])
    assert verify_ledger(path).fault == f"meta {key}: it is missing: restore a backup"
    for opened in (verify_tail, Ledger.open, LedgerReader.open):
        with pytest.raises(LedgerDamaged, match="it is missing"):
            opened(path)


def test_flipped_bytes_that_change_anything_are_all_found(
    sound: Path, fresh: Callable[[], Path]
) -> None:
    before = content(sound)
    rng = random.Random(12)
    found = unused = named = 0
    while found < FLIPS:
        path = fresh()
        flipped = bytearray(path.read_bytes())
        flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
        path.write_bytes(flipped)
        try:
            first = verify_ledger(path).fault
        except LedgerDamaged as error:
            first = str(error)
        if first is None:
            # Nothing uses that byte, for all that can be read is what it was.
            assert content(path) == before
            unused += 1
        else:
            found += 1
            named += not first.startswith(("file: ", "The ledger", "a part of"))
    print(f"{found} flipped bytes found, {named} with the row named; {unused} changed nothing")
    assert named > FLIPS // 2
