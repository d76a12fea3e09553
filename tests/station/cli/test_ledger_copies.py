import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from station.cli.main import run
from station.ledger.entries import PersonAdded
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger


@pytest.fixture
def ledger_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The station's ledger in its usual place, with two entries."""
    monkeypatch.setenv("STATION_HOME", str(tmp_path))
    with Ledger.open(tmp_path / "station.ledger") as ledger:
        for name in ("Ana", "Bo"):
            ledger.append(PersonAdded(name=name, role="lead"), person="Ana")
    return tmp_path / "station.ledger"


def test_a_backup_is_made_and_restored(
    ledger_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = ledger_path.with_name("copy")
    assert run(["ledger", "backup", str(copy), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    assert made["entries"] == 2
    with Ledger.open(ledger_path) as ledger:
        ledger.append(PersonAdded(name="Cy", role="apprentice"), person="Ana")
    assert run(["ledger", "restore", str(copy), "--json"]) == 0
    restored = json.loads(capsys.readouterr().out)
    assert restored["last_hash"] == made["last_hash"]
    assert restored["newer_entries_in_old"] == 1
    with Ledger.open(restored["kept_as"]) as old, Ledger.open(ledger_path) as new:
        assert [len(list(one.reader.entries())) for one in (old, new)] == [3, 2]


def test_people_are_told_what_was_done(
    ledger_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = ledger_path.with_name("copy")
    assert run(["ledger", "backup", str(copy)]) == 0
    assert "2 entries and 0 traces, all sound" in capsys.readouterr().out
    assert run(["ledger", "restore", str(copy)]) == 0
    told = capsys.readouterr().out
    assert "had no entries more; it is kept as" in told


def test_a_restore_makes_the_first_ledger_of_a_new_computer(
    ledger_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = ledger_path.with_name("copy")
    assert run(["ledger", "backup", str(copy)]) == 0
    (tmp_path / "new home").mkdir()
    monkeypatch.setenv("STATION_HOME", str(tmp_path / "new home"))
    assert run(["ledger", "restore", str(copy)]) == 0
    assert run(["ledger", "verify"]) == 0


def test_refusals_are_one_sentence_and_exit_2(
    ledger_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = ledger_path.with_name("copy")
    assert run(["ledger", "restore", str(copy)]) == 2
    assert run(["ledger", "backup", str(copy)]) == 0
    assert run(["ledger", "backup", str(copy)]) == 2
    assert run(["ledger", "backup", str(copy), "--replace"]) == 0
    settings = ledger_path.with_name("bench.toml")
    settings.write_text(f"port = 0\nledger = '{ledger_path}'\n")
    with ledger_in_use(ledger_path, "the station"):
        assert run(["ledger", "restore", str(copy)]) == 2
        assert run(["serve", "--simulate", "--settings", str(settings)]) == 2
        assert run(["demo", "--headless", "--ledger", str(ledger_path)]) == 2
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("DROP TRIGGER entry_no_delete")
        connection.execute("DELETE FROM entry WHERE seq = 1")
        connection.commit()
    assert run(["ledger", "restore", str(copy)]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if line.strip()]
    assert [line.count("in use by the station") for line in said] == [0, 0, 1, 1, 1, 0]
    assert "not sound (entry 1: entry 2" in said[-1]


def test_a_rebuild_counts_what_it_read(
    ledger_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["ledger", "rebuild", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found == {"ledger": str(ledger_path), "entries": 2, "samples": 0, "mended": []}
    assert run(["ledger", "rebuild"]) == 0
    assert "rebuilt from 2 entries" in capsys.readouterr().out
