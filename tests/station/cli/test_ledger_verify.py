"""What ``ledger verify`` prints, and what a head that was noted elsewhere proves."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.ledger.chain import FIRST_PREV_HASH, entry_hash
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from tests.station.ledger.test_verify import tampering


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Ledger.open(tmp_path / "one.ledger") as ledger:
        for name in ("Ana", "Bo", "Cy"):
            ledger.append(PersonAdded(name=name, role="apprentice"), person="Ana")
    return tmp_path / "one.ledger"


def hash_all_again(path: Path) -> None:
    """Forge the first entry and hash all that follow, and put right what is derived of them."""
    with tampering(path) as connection:
        connection.row_factory = sqlite3.Row
        before = FIRST_PREV_HASH
        for row in connection.execute("SELECT * FROM entry ORDER BY seq").fetchall():
            new = dict(row) | {"prev_hash": before, "clock_synced": bool(row["clock_synced"])}
            new["payload"] = new["payload"].replace("apprentice", "installer")
            before = entry_hash(new)
            connection.execute(
                "UPDATE entry SET payload = ?, prev_hash = ?, hash = ? WHERE seq = ?",
                (new["payload"], new["prev_hash"], before, new["seq"]),
            )
    with Ledger.open(path) as ledger:
        ledger.rebuild()


def verified(
    path: Path, capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[int, dict[str, Any]]:
    code = run(["ledger", "verify", "--ledger", str(path), "--json", *more])
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, document


def test_the_contract(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, found = verified(path, capsys)
    assert (code, found["read_tables"], found["first_bad"]) == (0, "sound", None)
    assert found["head"] == f"3:{verify_ledger(path).last_hash}"
    with tampering(path) as connection:
        connection.execute("UPDATE person SET role = 'lead' WHERE name = 'Bo'")
    code, found = verified(path, capsys)
    said = "person Bo: role is 'lead', the entries say 'apprentice'"
    assert (code, found["read_tables"]) == (1, [said])
    assert run(["ledger", "verify", "--ledger", str(path)]) == 1
    assert f"NOT SOUND: {said}" in (told := capsys.readouterr().out)
    assert "station ledger rebuild" in told
    assert run(["ledger", "rebuild", "--ledger", str(path)]) == 0
    assert f"Mended from the entries: {said}" in capsys.readouterr().out
    assert verified(path, capsys)[0] == 0


def test_a_record_hashed_anew_is_found_by_any_head_that_was_noted(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Ledger.open(path) as ledger:
        heads = [f"{entry.seq}:{entry.hash}" for entry in ledger.reader.entries()]
    for head in heads:
        assert verified(path, capsys, "--against", head)[0] == 0
    hash_all_again(path)
    assert verified(path, capsys)[0] == 0
    printed = [f"{head[:6]} {head[6:18].upper()}" for head in heads]
    for head in (*heads, *printed):
        code, found = verified(path, capsys, "--against", head)
        assert (code, found["first_bad"].split(" (")[0]) == (1, f"entry {head[0]}")
    code, found = verified(path, capsys, "--against", f"9{heads[0][1:]}")
    assert (code, "entry 9: it is missing" in found["first_bad"]) == (1, True)


@pytest.mark.parametrize("head", ["", "3", "3:", "3:0a1b", "x:0123456789abcdef", "-1:" + "0" * 64])
def test_what_is_no_head_is_refused(
    path: Path, capsys: pytest.CaptureFixture[str], head: str
) -> None:
    assert run(["ledger", "verify", "--ledger", str(path), "--against", head]) == 2
    assert "is no head of a record" in capsys.readouterr().err


def test_a_file_that_lost_a_table_is_not_sound(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("ALTER TABLE entry RENAME TO entries")
        connection.commit()
    code, found = verified(path, capsys)
    assert (code, "not a sound ledger" in found["first_bad"]) == (1, True)
