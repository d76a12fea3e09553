"""Whatever is changed in the record, verify names it: any byte, any entry gone or moved."""

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from station.errors import LedgerDamaged
from station.ledger.store import Ledger
from station.ledger.traces import trace_key
from station.ledger.verify import verify_ledger
from tests.station.ledger.test_verify import tampering

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

COLUMNS = (
    "bench", "id", "kind", "at_utc", "boot_id", "person", "payload", "prev_hash", "hash",
)  # fmt: skip
FEW = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture
def sound(full_ledger: Ledger) -> Path:
    """A closed ledger in one file."""
    full_ledger.close()
    with closing(sqlite3.connect(full_ledger.path)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    return full_ledger.path


@pytest.fixture
def changed(sound: Path, tmp_path: Path) -> Callable[[], Path]:
    """Gives a fresh copy of the sound ledger, to be changed."""

    def copy() -> Path:
        target = tmp_path / "changed.ledger"
        for suffix in ("-wal", "-shm", "-journal"):
            target.with_name(target.name + suffix).unlink(missing_ok=True)
        shutil.copyfile(sound, target)
        return target

    return copy


def first_bad(path: Path) -> str:
    found = verify_ledger(path).first_bad
    assert found is not None
    return found


@FEW
@given(st.data())
def test_one_flipped_bit_in_any_column_of_any_entry_is_named(
    changed: Callable[[], Path], data: st.DataObject
) -> None:
    path = changed()
    with tampering(path) as connection:
        (last,) = connection.execute("SELECT max(seq) FROM entry").fetchone()
        seq = data.draw(st.integers(1, last), label="entry")
        column = data.draw(st.sampled_from(COLUMNS), label="column")
        (raw,) = connection.execute(
            f"SELECT CAST({column} AS BLOB) FROM entry WHERE seq = ?", (seq,)
        ).fetchone()
        if not raw:
            return
        place = data.draw(st.integers(0, len(raw) - 1), label="byte")
        flipped = bytearray(raw)
        flipped[place] ^= 1 << data.draw(st.integers(0, 7), label="bit")
        connection.execute(
            f"UPDATE entry SET {column} = CAST(? AS TEXT) WHERE seq = ?", (bytes(flipped), seq)
        )
    found = first_bad(path)
    # A changed name of the bench moves the entry out of its place as well.
    moved = column == "bench" and "stands in its place" in found
    assert moved or found.startswith(f"entry {seq} (")


@FEW
@given(st.data())
def test_one_flipped_bit_in_any_trace_is_named(
    changed: Callable[[], Path], data: st.DataObject
) -> None:
    path = changed()
    with tampering(path) as connection:
        rows = connection.execute("SELECT sha256, data FROM trace ORDER BY sha256").fetchall()
        key, stored = data.draw(st.sampled_from(rows))
        flipped = bytearray(stored)
        flipped[data.draw(st.integers(0, len(stored) - 1))] ^= 1 << data.draw(st.integers(0, 7))
        connection.execute("UPDATE trace SET data = ? WHERE sha256 = ?", (bytes(flipped), key))
    try:
        still_says_the_same = trace_key(bytes(flipped)) == key
    except LedgerDamaged:
        still_says_the_same = False
    report = verify_ledger(path)
    # Two bytes of zlib's head say how hard it tried, and change no number.
    if still_says_the_same:
        assert report.first_bad is None
    else:
        assert report.first_bad == f"trace {key}: its content does not match its hash"


@FEW
@given(st.data())
def test_an_entry_removed_swapped_or_repeated_is_named(
    changed: Callable[[], Path], data: st.DataObject
) -> None:
    path = changed()
    with tampering(path) as connection:
        (last,) = connection.execute("SELECT max(seq) FROM entry").fetchone()
        one, other = sorted(
            data.draw(st.lists(st.integers(1, last), min_size=2, max_size=2, unique=True))
        )
        act = data.draw(st.sampled_from(["remove", "swap", "close up"]))
        if act == "swap":
            for old, new in ((one, -1), (other, one), (-1, other)):
                connection.execute("UPDATE entry SET seq = ? WHERE seq = ?", (new, old))
        else:
            connection.execute("DELETE FROM entry WHERE seq = ?", (one,))
        if act == "close up":
            for seq in range(one + 1, last + 1):
                connection.execute("UPDATE entry SET seq = ? WHERE seq = ?", (seq - 1, seq))
    assert first_bad(path).startswith((f"entry {one} (", f"entry {one}: "))


def record_of(path: Path) -> list[object]:
    with closing(sqlite3.connect(path)) as connection:
        connection.text_factory = bytes
        return [
            row
            for table in ("entry", "trace")
            for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
        ]


def pages_of_the_record(path: Path) -> Iterator[int]:
    """Offsets of the pages that hold entries and traces."""
    with closing(sqlite3.connect(path)) as connection:
        for name in ("entry", "trace"):
            query = "SELECT pgoffset FROM dbstat WHERE name = ?"
            yield from (offset for (offset,) in connection.execute(query, (name,)))


def test_one_flipped_byte_of_the_file_never_passes_for_the_record(
    sound: Path, changed: Callable[[], Path]
) -> None:
    before = record_of(sound)
    offsets = list(pages_of_the_record(sound))
    rng = random.Random(7)
    seen = {"named": 0, "refused": 0, "same": 0}
    for _ in range(100):
        path = changed()
        content = bytearray(path.read_bytes())
        content[rng.choice(offsets) + rng.randrange(4096)] ^= 1 << rng.randrange(8)
        path.write_bytes(content)
        try:
            report = verify_ledger(path)
        except LedgerDamaged:
            seen["refused"] += 1
            continue
        if report.first_bad is None:
            # A byte that nothing uses, or one of zlib's head: the record says what it said.
            after = record_of(path)
            assert [row[:-1] for row in after] == [row[:-1] for row in before]  # type: ignore[index]
            seen["same"] += 1
        else:
            assert report.first_bad.startswith(("entry ", "trace ", "a part of the file"))
            seen["named"] += 1
    assert seen["named"] > 20


def test_a_wiped_page_of_entries_is_named_by_its_first_entry(
    sound: Path, changed: Callable[[], Path]
) -> None:
    path = changed()
    offsets = list(pages_of_the_record(sound))
    content = bytearray(path.read_bytes())
    content[offsets[1] : offsets[1] + 4096] = bytes(4096)
    path.write_bytes(content)
    report = verify_ledger(path)
    assert report.first_bad is not None
    assert report.first_bad.startswith(f"entry {report.entries + 1}: its part of the file cannot")
    assert "page" in report.first_bad.lower()
