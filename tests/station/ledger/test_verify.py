import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from station.errors import BadInput, LedgerDamaged
from station.ledger.chain import entry_hash
from station.ledger.entries import KINDS, PersonAdded
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

ANA = PersonAdded(name="Ana", role="lead")


@contextmanager
def tampering(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the file as a forger would, who puts the triggers back that would not let him."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        triggers = connection.execute(query).fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()


def first_bad(ledger: Ledger) -> str:
    found = verify_ledger(ledger.path).first_bad
    assert found is not None
    return found


def test_a_sound_record_is_counted(full_ledger: Ledger) -> None:
    seen: list[tuple[int, int]] = []
    report = verify_ledger(full_ledger.path, lambda done, total: seen.append((done, total)))
    entries = list(full_ledger.reader.entries())
    assert (report.entries, report.traces, report.first_bad) == (len(entries), 5, None)
    assert report.last_hash == entries[-1].hash
    assert report.differences == ()
    # Each entry is read twice: to hash it, and to derive the tables again.
    everything = 2 * len(entries) + 5
    assert seen[-1] == (everything, everything)


def test_an_empty_ledger_is_sound(ledger: Ledger) -> None:
    report = verify_ledger(ledger.path)
    assert (report.entries, report.traces, report.first_bad) == (0, 0, None)


@pytest.mark.parametrize(
    "change",
    [
        "payload = replace(payload, 'Bo', 'Bp')",
        "payload = CAST(x'7BFF7D' AS TEXT)",
        "payload = x'00FF'",
        "kind = 'tool_added'",
        "version = 2",
        "at_utc = '2024-03-01T08:00:01.000001Z'",
        "clock_synced = 0",
        "boot_id = 'Invented'",
        "monotonic_s = monotonic_s + 1e-9",
        "person = 'Anb'",
        "bench = 'bench-0'",
        "id = upper(id)",
        "prev_hash = hash",
        "hash = prev_hash",
    ],
)
def test_any_changed_column_is_named(full_ledger: Ledger, change: str) -> None:
    with tampering(full_ledger.path) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute(f"UPDATE entry SET {change} WHERE seq = 2")
    found = first_bad(full_ledger)
    assert found.startswith(("entry 2 ", "entry 1: entry 2 "))


def test_one_flipped_bit_of_the_file_is_named(full_ledger: Ledger) -> None:
    full_ledger.close()
    content = bytearray(full_ledger.path.read_bytes())
    place = content.index(b'"failure_mode":"pull out"')
    content[place + 18] ^= 0x01
    full_ledger.path.write_bytes(content)
    report = verify_ledger(full_ledger.path)
    assert report.first_bad is not None
    assert report.first_bad.startswith(f"entry {report.entries + 1} (")
    assert "does not match its hash" in report.first_bad


@pytest.mark.parametrize("change", ["x'00'", "'text'", "zeroblob(length(data))"])
def test_a_changed_trace_is_named(full_ledger: Ledger, change: str) -> None:
    with tampering(full_ledger.path) as connection:
        (key,) = connection.execute("SELECT max(sha256) FROM trace").fetchone()
        connection.execute(f"UPDATE trace SET data = {change} WHERE sha256 = ?", (key,))
    report = verify_ledger(full_ledger.path)
    assert report.first_bad == f"trace {key}: its content does not match its hash"
    assert report.traces == 4


def test_a_flipped_byte_in_a_trace_is_named(full_ledger: Ledger) -> None:
    with tampering(full_ledger.path) as connection:
        key, data = connection.execute("SELECT sha256, data FROM trace LIMIT 1").fetchone()
        flipped = data[:20] + bytes([data[20] ^ 0x10]) + data[21:]
        connection.execute("UPDATE trace SET data = ? WHERE sha256 = ?", (flipped, key))
    assert first_bad(full_ledger).startswith(f"trace {key}: its content")


def test_a_removed_trace_is_named(full_ledger: Ledger) -> None:
    with tampering(full_ledger.path) as connection:
        (key,) = connection.execute("SELECT sha256 FROM trace").fetchone()
        connection.execute("DELETE FROM trace WHERE sha256 = ?", (key,))
    assert first_bad(full_ledger).startswith(f"trace {key}: entry ")


def test_a_removed_entry_is_named(full_ledger: Ledger) -> None:
    with tampering(full_ledger.path) as connection:
        connection.execute("DELETE FROM entry WHERE seq = 5")
    assert first_bad(full_ledger).startswith("entry 5: entry 6 (")
    assert verify_ledger(full_ledger.path).entries == 4


def test_a_removed_and_closed_up_entry_is_named(full_ledger: Ledger) -> None:
    with tampering(full_ledger.path) as connection:
        connection.execute("DELETE FROM entry WHERE seq = 5")
        connection.execute("UPDATE entry SET seq = 5 WHERE seq = 6")
    assert first_bad(full_ledger).startswith("entry 5 (")


def test_an_entry_removed_from_the_end_is_named_and_stops_the_next(full_ledger: Ledger) -> None:
    last = verify_ledger(full_ledger.path).entries
    with tampering(full_ledger.path) as connection:
        connection.execute("DELETE FROM entry WHERE seq = ?", (last,))
    found = f"entry {last}: it was written, but the record ends at entry {last - 1}"
    assert first_bad(full_ledger) == found
    full_ledger.close()
    with Ledger.open(full_ledger.path) as again:
        assert first_bad(again) == found
        with pytest.raises(LedgerDamaged, match="nothing was added"):
            again.append(ANA, person="Ana")
        assert first_bad(again) == found


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_whatever_was_cut_off_the_end_the_next_of_its_kind_says_so(
    full_ledger: Ledger, kind: str
) -> None:
    entries = list(full_ledger.reader.entries())
    last = max(entry.seq for entry in entries if entry.kind == kind)
    with tampering(full_ledger.path) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("DELETE FROM entry WHERE seq >= ?", (last,))
    says = f"ends at entry {last - 1}, which is not the last that was written: nothing was added"
    with pytest.raises(LedgerDamaged, match=says):
        full_ledger.append(entries[last - 1].payload, person="Ana")
    assert verify_ledger(full_ledger.path).entries == last - 1


def test_reordered_entries_are_named(full_ledger: Ledger) -> None:
    with tampering(full_ledger.path) as connection:
        for old, new in ((3, -3), (2, 3), (-3, 2)):
            connection.execute("UPDATE entry SET seq = ? WHERE seq = ?", (new, old))
    assert first_bad(full_ledger).startswith("entry 2 (")


def test_an_entry_hashed_anew_breaks_the_chain_after_it(ledger: Ledger) -> None:
    for _ in range(3):
        ledger.append(ANA, person="Ana")
    with tampering(ledger.path) as connection:
        connection.row_factory = sqlite3.Row
        row = dict(connection.execute("SELECT * FROM entry WHERE seq = 2").fetchone())
        row |= {"person": "Bo", "clock_synced": bool(row["clock_synced"])}
        connection.execute(
            "UPDATE entry SET person = 'Bo', hash = ? WHERE seq = 2", (entry_hash(row),)
        )
    assert first_bad(ledger).startswith("entry 3 (")
    assert "does not follow" in first_bad(ledger)


def test_verify_needs_a_ledger(tmp_path: Path, ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="There is no ledger"):
        verify_ledger(tmp_path / "missing.ledger")
    (tmp_path / "notes.txt").write_text("no ledger, but long enough to be read" * 100)
    with pytest.raises(LedgerDamaged):
        verify_ledger(tmp_path / "notes.txt")


def test_entries_written_meanwhile_do_not_disturb(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch, ticking: Callable[[], object]
) -> None:
    ledger.append(ANA, person="Ana")
    monkeypatch.setattr("station.ledger.verify.PROGRESS_STEP", 1)
    during: list[int] = []

    def append_once(done: int, total: int) -> None:
        if not during:
            during.append(ledger.append(ANA, person="Ana").seq)

    report = verify_ledger(ledger.path, append_once)
    assert (report.entries, report.first_bad, during) == (1, None, [2])
