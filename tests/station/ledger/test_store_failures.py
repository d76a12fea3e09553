"""What the ledger says and leaves behind when its file cannot be used."""

import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from station.errors import (
    LedgerBusy,
    LedgerDamaged,
    LedgerError,
    LedgerFull,
    LedgerGone,
    LedgerReadOnly,
)
from station.ledger import database
from station.ledger.chain import FIRST_PREV_HASH
from station.ledger.entries import PersonAdded, SampleBegun, SampleFinished
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.ledger.verify import verify_ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

ANA = PersonAdded(name="Ana", role="lead")


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the write lock as another program would."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_a_locked_ledger_is_busy_and_then_takes_the_entry(ledger_path: Path) -> None:
    with Ledger.open(ledger_path, busy_timeout_s=0.01) as ledger:
        with locked(ledger_path), pytest.raises(LedgerBusy, match="locked") as busy:
            ledger.append(ANA, person="Ana")
        assert str(ledger_path) in str(busy.value)
        assert list(ledger.reader.entries()) == []
        assert ledger.append(ANA, person="Ana").seq == 1


@pytest.mark.parametrize("replaced", [False, True])
def test_nothing_is_written_into_a_file_that_is_gone(
    ledger: Ledger, tmp_path: Path, replaced: bool
) -> None:
    ledger.append(ANA, person="Ana")
    away = tmp_path / "away"
    ledger.path.rename(away)
    if replaced:
        ledger.path.write_bytes(b"")
    with pytest.raises(LedgerGone, match="put it back"):
        ledger.append(ANA.model_copy(update={"name": "Ben"}), person="Ana")
    away.replace(ledger.path)
    assert [row.name for row in ledger.reader.people()] == ["Ana"]
    assert ledger.append(ANA.model_copy(update={"name": "Ben"}), person="Ana").seq == 2
    assert verify_ledger(ledger.path).first_bad is None


def test_a_locked_ledger_cannot_be_opened_for_writing(ledger: Ledger) -> None:
    with locked(ledger.path), pytest.raises(LedgerBusy, match="close that program or wait"):
        Ledger.open(ledger.path, busy_timeout_s=0.01)


def test_a_locked_ledger_can_be_read(full_ledger: Ledger) -> None:
    with locked(full_ledger.path), LedgerReader.open(full_ledger.path) as reader:
        assert len(reader.people()) == 2
        assert verify_ledger(full_ledger.path).first_bad is None


def test_a_write_protected_file_is_named(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    # The tests may run as root, whom file modes do not bind. So the lowest seam, the mode of the
    # connection, is changed to read-only: the refusal is SQLite's own, as for a protected file.
    connect = database.connect
    monkeypatch.setattr(database, "connect", lambda path, mode, busy: connect(path, "ro", busy))
    with pytest.raises(LedgerReadOnly, match="write-protected") as refused:
        Ledger.open(ledger.path)
    assert str(ledger.path) in str(refused.value)


def test_a_folder_that_takes_no_files_is_named() -> None:
    # /proc takes no new files, not even from root.
    with pytest.raises(LedgerReadOnly, match=r"/proc/new\.ledger cannot be opened"):
        Ledger.open("/proc/new.ledger")


def test_a_full_disk_loses_nothing_and_leaves_nothing_half_written(
    ledger_path: Path,
    begun: Callable[..., SampleBegun],
    finished: Callable[..., SampleFinished],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = encode_trace(range(20000), [float(byte) for byte in os.urandom(20000)])
    key = trace_key(data)
    with Ledger.open(ledger_path) as ledger:
        sample = ledger.append(begun(), person="Ana")
        pages = ledger_path.stat().st_size // 4096
    monkeypatch.setattr(
        database, "PRAGMAS", (*database.PRAGMAS, f"PRAGMA max_page_count = {pages + 3}")
    )
    with Ledger.open(ledger_path) as ledger:
        with pytest.raises(LedgerFull, match="free space and try again") as full:
            ledger.append(finished(sample.id, trace=key), person="Ana", traces={key: data})
        assert str(ledger_path) in str(full.value)
        assert ledger.reader.trace(key) is None
        assert [row.sample_id for row in ledger.reader.unfinished()] == [sample.id]
        assert ledger.append(ANA, person="Ana").seq == 2
        assert verify_ledger(ledger.path).first_bad is None


def test_a_full_disk_refuses_a_new_ledger_which_can_be_begun_later(
    ledger_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pragmas = database.PRAGMAS
    monkeypatch.setattr(database, "PRAGMAS", (*pragmas, "PRAGMA max_page_count = 5"))
    with pytest.raises(LedgerFull):
        Ledger.open(ledger_path)
    monkeypatch.setattr(database, "PRAGMAS", pragmas)
    with Ledger.open(ledger_path) as ledger:
        assert ledger.append(ANA, person="Ana").seq == 1


@pytest.mark.parametrize("opener", [Ledger.open, LedgerReader.open])
def test_a_file_that_is_no_database_is_refused_and_left_alone(
    opener: Callable[[Path], object], ledger_path: Path
) -> None:
    content = b"force_n,time_s\n" * 500
    ledger_path.write_bytes(content)
    with pytest.raises(LedgerDamaged, match="not a sound ledger file"):
        opener(ledger_path)
    assert ledger_path.read_bytes() == content


@pytest.mark.parametrize("opener", [Ledger.open, LedgerReader.open])
def test_the_database_of_another_program_is_refused_and_left_alone(
    opener: Callable[[Path], object], ledger_path: Path
) -> None:
    with closing(sqlite3.connect(ledger_path)) as other:
        other.execute("CREATE TABLE entry (note TEXT)")
    content = ledger_path.read_bytes()
    with pytest.raises(LedgerDamaged, match="not a ledger of this station"):
        opener(ledger_path)
    assert ledger_path.read_bytes() == content


def test_an_empty_file_becomes_a_ledger_only_when_one_may_be_created(ledger_path: Path) -> None:
    ledger_path.touch()
    with pytest.raises(LedgerDamaged, match="not a ledger of this station"):
        Ledger.open(ledger_path, create=False)
    with Ledger.open(ledger_path) as ledger:
        assert ledger.append(ANA, person="Ana").seq == 1


def test_a_damaged_page_is_damage(ledger_path: Path) -> None:
    with Ledger.open(ledger_path) as ledger:
        ledger.append(ANA, person="Ana")
    content = ledger_path.read_bytes()
    ledger_path.write_bytes(content[:4096] + bytes(len(content) - 4096))
    with pytest.raises(LedgerDamaged, match="restore a backup") as damaged:
        Ledger.open(ledger_path)
    assert str(ledger_path) in str(damaged.value)


def test_any_other_failure_is_a_ledger_error(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    failure = sqlite3.OperationalError("disk I/O error")
    failure.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC

    def fail(path: Path) -> None:
        raise failure

    monkeypatch.setattr(database, "check_is_ledger", fail)
    with pytest.raises(LedgerError, match="check the card or disk") as failed:
        verify_ledger(ledger.path)
    assert type(failed.value) is LedgerError


@pytest.mark.parametrize("table", ["entry", "trace"])
@pytest.mark.parametrize("change", ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}"])
def test_the_database_itself_lets_the_record_only_grow(
    full_ledger: Ledger, table: str, change: str
) -> None:
    column = {"entry": "person", "trace": "data"}[table]
    with (
        closing(sqlite3.connect(full_ledger.path)) as other,
        pytest.raises(sqlite3.IntegrityError, match=f"the {table} table only grows"),
    ):
        other.execute(change.format(table, column))


@pytest.mark.parametrize("table", ["entry", "trace"])
def test_the_database_itself_refuses_a_replacing_insert(full_ledger: Ledger, table: str) -> None:
    with (
        closing(sqlite3.connect(full_ledger.path)) as other,
        pytest.raises(sqlite3.IntegrityError, match="only grows"),
    ):
        other.execute(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")


def test_every_connection_syncs_fully_and_checks_references(ledger_path: Path) -> None:
    # Source: SQLite's numbers for these settings, FULL = 2 and ON = 1; SQLite pragma text.
    with Ledger.open(ledger_path), closing(database.connect(ledger_path, "rw", 1.5)) as raw:
        settings = {
            name: raw.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("synchronous", "foreign_keys", "busy_timeout", "journal_mode")
        }
    assert settings == {
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": 1500,
        "journal_mode": "wal",
    }


def test_a_write_ahead_log_that_was_cut_or_changed_leaves_a_sound_beginning(
    tmp_path: Path,
) -> None:
    hashes = {0: FIRST_PREV_HASH}
    # Made and closed before: what is in the file itself is not at stake.
    Ledger.open(tmp_path / "whole.ledger").close()
    with Ledger.open(tmp_path / "whole.ledger") as ledger:
        for _ in range(30):
            entry = ledger.append(ANA, person="Ana")
            hashes[entry.seq] = entry.hash
        main = ledger.path.read_bytes()
        log = ledger.path.with_name("whole.ledger-wal").read_bytes()
    rng, kept = random.Random(5), set()
    for number in range(12):
        cut = bytearray(log[: rng.randrange(32, len(log))])
        if number % 2:
            cut[rng.randrange(len(cut))] ^= 1 << rng.randrange(8)
        path = tmp_path / f"{number}.ledger"
        path.write_bytes(main)
        path.with_name(path.name + "-wal").write_bytes(cut)
        assert verify_ledger(path).fault is None
        with Ledger.open(path) as again:
            head = again.reader.head()
            assert head.hash == hashes[head.seq]
            again.append(ANA, person="Ana")
        report = verify_ledger(path)
        assert (report.entries, report.fault) == (head.seq + 1, None)
        kept.add(head.seq)
    assert len(kept) > 3
