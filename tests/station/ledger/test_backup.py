"""Backups taken under load, and restores that verify before they replace."""

import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from station.errors import BadInput, LedgerDamaged, LedgerError, LedgerInUse
from station.ledger import backup, database, export, reimport, verify
from station.ledger.backup import back_up_ledger, restore_ledger
from station.ledger.entries import PersonAdded
from station.ledger.export import export_ledger
from station.ledger.in_use import ledger_in_use
from station.ledger.reimport import import_export
from station.ledger.store import Ledger
from station.ledger.verify import Progress, verify_ledger
from tests.station.ledger.test_verify import tampering

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

ANA = PersonAdded(name="Ana", role="lead")
NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
ASIDE = "bench one.ledger.replaced-20310506T070809000000"


def whole_record(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return [
            row
            for table in ("entry", "trace", "sample")
            for row in connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
        ]


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_backup_is_one_sound_file_equal_to_the_ledger(full_ledger: Ledger) -> None:
    target = full_ledger.path.with_name("copy")
    seen: list[tuple[int, int]] = []
    report = back_up_ledger(
        full_ledger.path, target, progress=lambda done, total: seen.append((done, total))
    )
    assert report == verify_ledger(full_ledger.path)
    assert whole_record(target) == whole_record(full_ledger.path)
    assert {name for name in files(target.parent) if "copy" in name} == {"copy"}
    assert seen[-1] == (2 * report.entries + report.traces,) * 2
    assert target.stat().st_mode == full_ledger.path.stat().st_mode


def test_a_backup_under_load_restores_to_a_verified_ledger(
    ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup, "PAGES_AT_A_TIME", 1)
    for _ in range(50):
        ledger.append(ANA, person="Ana")
    written_meanwhile: list[int] = []
    stop = threading.Event()

    def write() -> None:
        with Ledger.open(ledger.path, busy_timeout_s=60) as other:
            while not stop.is_set():
                written_meanwhile.append(other.append(ANA, person="Bo").seq)

    seen: list[int] = []

    def watch(done: int, _total: int) -> None:
        # Every step of the copy waits until the other has written once more.
        seen.append(done)
        before = len(written_meanwhile)
        while len(written_meanwhile) == before and writer.is_alive():
            pass

    writer = threading.Thread(target=write)
    writer.start()
    try:
        report = back_up_ledger(ledger.path, tmp_path / "copy", progress=watch)
    finally:
        stop.set()
        writer.join()
    assert len(seen) > 10
    assert report.first_bad is None
    assert 50 <= report.entries < 50 + len(written_meanwhile)
    end = verify_ledger(ledger.path)
    assert (end.entries, end.first_bad) == (50 + len(written_meanwhile), None)
    ledger.close()
    done = restore_ledger(tmp_path / "copy", ledger.path, now=NOW)
    assert done.report == report == verify_ledger(ledger.path)
    assert done.newer_entries == end.entries - report.entries
    assert done.kept_as == ledger.path.with_name(ASIDE)
    assert verify_ledger(done.kept_as) == end
    with Ledger.open(ledger.path) as again:
        assert again.append(ANA, person="Ana").seq == report.entries + 1


def test_a_restore_may_make_a_ledger_where_there_is_none(
    full_ledger: Ledger, tmp_path: Path
) -> None:
    back_up_ledger(full_ledger.path, tmp_path / "copy")
    done = restore_ledger(tmp_path / "copy", tmp_path / "new.ledger", now=NOW)
    assert (done.kept_as, done.newer_entries) == (None, None)
    assert whole_record(tmp_path / "new.ledger") == whole_record(full_ledger.path)


def test_an_older_backup_is_replaced_only_when_told(full_ledger: Ledger, tmp_path: Path) -> None:
    (tmp_path / "copy").write_text("older")
    with pytest.raises(BadInput, match="exists already"):
        back_up_ledger(full_ledger.path, tmp_path / "copy")
    assert (tmp_path / "copy").read_text() == "older"
    back_up_ledger(full_ledger.path, tmp_path / "copy", replace=True)
    assert verify_ledger(tmp_path / "copy").first_bad is None


def damage(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER entry_no_update")
        connection.execute("UPDATE entry SET person = 'Eve' WHERE seq = 3")
        connection.commit()


def test_a_damaged_backup_is_refused_and_nothing_changes(
    full_ledger: Ledger, tmp_path: Path
) -> None:
    back_up_ledger(full_ledger.path, tmp_path / "copy")
    damage(tmp_path / "copy")
    full_ledger.close()
    before, there = whole_record(full_ledger.path), files(tmp_path)
    with pytest.raises(LedgerDamaged, match=r"copy is not sound \(entry 3 "):
        restore_ledger(tmp_path / "copy", full_ledger.path, now=NOW)
    assert whole_record(full_ledger.path) == before
    assert files(tmp_path) - there <= {f"{full_ledger.path.name}.in-use"}


def test_no_device_or_folder_is_replaced(full_ledger: Ledger, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for target in (pipe, tmp_path):
        with pytest.raises(BadInput, match="is a device or folder, no file"):
            back_up_ledger(full_ledger.path, target, replace=True)
    assert pipe.is_fifo()


def test_a_damaged_ledger_is_not_backed_up(full_ledger: Ledger, tmp_path: Path) -> None:
    damage(full_ledger.path)
    there = files(tmp_path)
    with pytest.raises(LedgerDamaged, match="is not sound"):
        back_up_ledger(full_ledger.path, tmp_path / "copy")
    assert files(tmp_path) == there


def test_a_ledger_in_use_is_not_replaced(full_ledger: Ledger, tmp_path: Path) -> None:
    back_up_ledger(full_ledger.path, tmp_path / "copy")
    refused = pytest.raises(LedgerInUse, match="in use by the station")
    with ledger_in_use(full_ledger.path, "the station"), refused:
        restore_ledger(tmp_path / "copy", full_ledger.path, now=NOW)
    # Open, though not as a station: a command that enters a calibration, say.
    with pytest.raises(LedgerInUse, match="open in another program"):
        restore_ledger(tmp_path / "copy", full_ledger.path, now=NOW)
    assert full_ledger.append(ANA, person="Ana").seq == verify_ledger(full_ledger.path).entries
    assert not any("replaced" in name for name in files(tmp_path))


def test_a_backup_replaces_a_ledger_that_is_beyond_reading(
    full_ledger: Ledger, tmp_path: Path
) -> None:
    back_up_ledger(full_ledger.path, tmp_path / "copy")
    full_ledger.close()
    wreck = b"not a database" * 1000
    full_ledger.path.write_bytes(wreck)
    full_ledger.path.with_name(full_ledger.path.name + "-wal").write_bytes(b"wal")
    done = restore_ledger(tmp_path / "copy", full_ledger.path, now=NOW)
    assert done.newer_entries is None
    assert done.kept_as is not None
    assert done.kept_as.read_bytes() == wreck
    assert done.kept_as.with_name(ASIDE + "-wal").read_bytes() == b"wal"
    assert whole_record(full_ledger.path) == whole_record(tmp_path / "copy")


def test_a_card_without_second_names_still_keeps_the_old_one(
    full_ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_self: Path, _target: Path) -> None:
        raise PermissionError("no links on this file system")

    back_up_ledger(full_ledger.path, tmp_path / "copy")
    full_ledger.close()
    monkeypatch.setattr(Path, "hardlink_to", refuse)
    done = restore_ledger(tmp_path / "copy", full_ledger.path, now=NOW)
    assert done.kept_as is not None
    assert verify_ledger(done.kept_as) == verify_ledger(full_ledger.path)


@pytest.mark.parametrize("wrong", ["missing", "notes.txt", "bench one.ledger"])
def test_what_is_no_backup_is_refused(full_ledger: Ledger, tmp_path: Path, wrong: str) -> None:
    (tmp_path / "notes.txt").write_text("no ledger, but long enough to be read" * 100)
    before = whole_record(full_ledger.path)
    with pytest.raises((BadInput, LedgerDamaged)):
        restore_ledger(tmp_path / wrong, full_ledger.path, now=NOW)
    assert whole_record(full_ledger.path) == before


def test_a_full_stick_is_said_and_leaves_nothing(
    full_ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = database.connect

    def small(path: Path, mode: database.Mode, busy: float) -> sqlite3.Connection:
        connection = connect(path, mode, busy)
        if mode == "rw":
            connection.execute("PRAGMA max_page_count = 3")
        return connection

    monkeypatch.setattr(database, "connect", small)
    there = files(tmp_path)
    with pytest.raises(LedgerError, match="check that there is room"):
        back_up_ledger(full_ledger.path, tmp_path / "copy")
    assert files(tmp_path) == there


def test_folders_that_are_missing_are_named(full_ledger: Ledger, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="could not be written"):
        back_up_ledger(full_ledger.path, tmp_path / "no" / "copy")
    with pytest.raises(BadInput, match="There is no ledger"):
        back_up_ledger(tmp_path / "missing", tmp_path / "copy")


def test_every_kind_of_entry_survives(
    full_ledger: Ledger, tmp_path: Path, stored_trace: Callable[[float], tuple[str, bytes]]
) -> None:
    back_up_ledger(full_ledger.path, tmp_path / "copy")
    key, data = stored_trace(100.0)
    with Ledger.open(tmp_path / "copy") as copy:
        assert list(copy.reader.entries()) == list(full_ledger.reader.entries())
        assert copy.reader.trace(key) == data


def copy_that_fails(target: Path) -> None:
    with backup.moved_into_place(target) as making:
        # SQLite's files beside a database, as its documentation of temporary files names them.
        for suffix in ("-journal", "-wal", "-shm"):
            making.with_name(making.name + suffix).write_bytes(b"")
        raise OSError("full")


def test_nothing_is_left_beside_a_copy_that_failed(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="full"):
        copy_that_fails(tmp_path / "copy")
    assert list(tmp_path.iterdir()) == []


def stopped_at(stage: int) -> Progress:
    """Progress that is told so often, and then Ctrl-C."""
    left = iter(range(stage))

    def tell(_done: int, _total: int) -> None:
        if next(left, None) is None:
            raise KeyboardInterrupt

    return tell


ACTS: dict[str, Callable[[Path, Path, Progress], object]] = {
    "back up": lambda path, folder, tell: back_up_ledger(path, folder / "made", progress=tell),
    "restore": lambda path, folder, tell: restore_ledger(
        folder / "copy", path, now=NOW, progress=tell
    ),
    "export": lambda path, folder, tell: export_ledger(
        path, folder / "made", now=NOW, progress=tell
    ),
    "import": lambda _path, folder, tell: import_export(
        folder / "out", folder / "made", progress=tell
    ),
}


@pytest.mark.parametrize("act", ACTS)
def test_ctrl_c_at_any_stage_leaves_all_or_nothing(
    full_ledger: Ledger, tmp_path: Path, act: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = full_ledger.path
    back_up_ledger(path, tmp_path / "copy")
    export_ledger(path, tmp_path / "out", now=NOW)
    full_ledger.close()
    for module in (export, verify, reimport):
        monkeypatch.setattr(module, "PROGRESS_STEP", 1)

    def there() -> tuple[object, ...]:
        beside = (".in-use", "-wal", "-shm")
        return whole_record(path), {name for name in files(tmp_path) if not name.endswith(beside)}

    before, stage, stops = there(), 0, 0
    while True:
        try:
            ACTS[act](path, tmp_path, stopped_at(stage))
            break
        except KeyboardInterrupt:
            assert there() == before
            stage += 1 + stage // 4
            stops += 1
    assert stops > 3


def test_what_pages_show_is_built_again_in_a_copy_where_it_is_not_what_was_written(
    full_ledger: Ledger,
) -> None:
    path, copy = full_ledger.path, full_ledger.path.with_name("copy")
    with tampering(path) as connection:
        connection.execute("UPDATE sample SET verdict = 'pass'")
    report = back_up_ledger(path, copy)
    assert "verdict is 'pass', the entries say 'void'" in report.differences[0]
    assert verify_ledger(copy).fault is None
    assert {name for name in files(path.parent) if "copy" in name} == {"copy"}
    full_ledger.close()
    with tampering(copy) as connection:
        connection.execute("DELETE FROM nest_hold")
    done = restore_ledger(copy, path, now=NOW)
    (difference,) = done.report.differences
    assert difference.startswith("nest_hold ")
    assert difference.endswith(": it is missing")
    assert verify_ledger(path).fault is None
