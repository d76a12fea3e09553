import json
from pathlib import Path

import pytest

from station.cli.main import run
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger


@pytest.fixture
def ledger_path(tmp_path: Path) -> Path:
    with Ledger.open(tmp_path / "one.ledger") as ledger:
        for name in ("Ana", "Bo"):
            ledger.append(PersonAdded(name=name, role="lead"), person="Ana")
    return tmp_path / "one.ledger"


def test_the_record_goes_out_and_comes_back(
    ledger_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "out")
    assert run(["ledger", "export", out, "--ledger", str(ledger_path), "--json"]) == 0
    exported = json.loads(capsys.readouterr().out)
    assert (exported["entries"], exported["samples"], exported["traces"]) == (2, 0, 0)
    again = str(tmp_path / "again.ledger")
    assert run(["ledger", "import", out, "--ledger", again, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["last_hash"] == exported["last_hash"]
    assert run(["ledger", "verify", "--ledger", again]) == 0


def test_people_are_told_where_it_is(
    ledger_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "out")
    assert run(["ledger", "export", out, "--ledger", str(ledger_path), "--traces", "npz"]) == 0
    assert run(["ledger", "import", out, "--ledger", str(tmp_path / "again")]) == 0
    told = capsys.readouterr().out
    assert "2 entries, 0 samples, 0 traces, head 2:" in told
    assert "2 entries and 0 traces, all sound." in told
    assert "apostrophe" in (tmp_path / "out" / "README.txt").read_text()


def test_refusals_exit_2(
    ledger_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path)
    assert run(["ledger", "export", out, "--ledger", str(ledger_path)]) == 2
    assert run(["ledger", "import", out]) == 2
    assert run(["ledger", "import", str(ledger_path), "--ledger", out + "/new"]) == 2
    assert run(["ledger", "import", out, "--ledger", out + "/new"]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if line.strip()]
    expected = ("exists already", "Name the new ledger", "A table needs --map", "is not an export")
    assert [sentence in line for sentence, line in zip(expected, said, strict=True)] == [True] * 4
