import json
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run
from station.cli.signing import signed_by
from station.ledger.entries import PersonAdded
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.station.ledger.test_elsewhere import TABLE

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

MAP = """
delimiter = ";"
decimal = ","
time_format = "%d.%m.%Y %H:%M"
peak_unit = "lbf"
splice_unit = "mOhm"
verdicts = { OK = "pass", NOK = "fail" }
[columns]
measured_at = "Date"
measured_by = "Who"
connector = "Part"
wires = "Wire"
tool = "Zange"
nest = "Gesenk"
peak = "Pull"
splice = "mR"
verdict = "Result"
"""


@pytest.fixture
def files(ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What to give to the command, in a ledger with a lead who can sign."""
    ledger.append(PersonAdded(name="Ana", role="lead"), person="Ana")
    give_secret(ledger, "Ana")
    monkeypatch.setenv("STATION_PASSPHRASE", PASSPHRASE)
    (tmp_path / "other.csv").write_text(TABLE, encoding="utf-8-sig")
    (tmp_path / "other.toml").write_text(MAP, encoding="utf-8")
    return [
        "ledger", "import", str(tmp_path / "other.csv"), "--map", str(tmp_path / "other.toml"),
        "--person", "Ana", "--ledger", str(ledger.path),
    ]  # fmt: skip


def imported(arguments: list[str]) -> int:
    with cheap_hashes():
        return run(arguments)


def test_samples_from_elsewhere_are_on_record_and_marked(
    ledger: Ledger, files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert imported([*files, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["samples"] == 2
    rows = ledger.reader.samples(newest_first=False)
    assert [row.sample_id for row in rows] == [told["first_id"], told["last_id"]]
    assert [(row.imported, row.job, row.person) for row in rows] == [
        (True, "imported", "Ana"),
        (True, "imported", "Bo"),
    ]
    assert [row.verdict for row in rows] == ["pass", "fail"]
    assert rows[1].splice_ohm == pytest.approx(0.4e-3)
    assert ledger.reader.unfinished() == []
    assert ledger.reader.counts().verdicts == {"pass": 1, "fail": 1}
    entry = ledger.reader.entry(told["first_id"])
    assert entry is not None
    assert entry.person == "Ana"
    assert verify_ledger(ledger.path).first_bad is None
    before = ledger.reader.samples()
    ledger.rebuild()
    assert ledger.reader.samples() == before


def test_the_same_table_is_not_taken_twice(
    ledger: Ledger, files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert imported(files) == 0
    assert "2 samples of other.csv are on record, marked as imported" in capsys.readouterr().out
    assert imported(files) == 2
    assert "is on record already" in capsys.readouterr().err
    assert ledger.reader.counts().samples == 2


def test_a_table_that_two_take_at_once_is_taken_once(
    ledger: Ledger,
    files: list[str],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def while_the_other_imports(*arguments: Any) -> PersonRow:
        monkeypatch.setattr("station.cli.ledger.signed_by", signed_by)
        assert imported(files) == 0
        return signed_by(*arguments)

    monkeypatch.setattr("station.cli.ledger.signed_by", while_the_other_imports)
    assert imported(files) == 2
    assert "is on record already" in capsys.readouterr().err
    assert ledger.reader.counts().samples == 2


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        ("other.csv", "0,40", "", "Row 3"),
        ("other.toml", "peak_unit", "peak_units", "peak_units"),
        ("other.toml", "[columns]", "[columns", "could not be read"),
    ],
)
def test_a_fault_anywhere_imports_nothing(
    ledger: Ledger,
    files: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    file: str,
    old: str,
    new: str,
    sentence: str,
) -> None:
    path = tmp_path / file
    path.write_text(path.read_text().replace(old, new))
    assert imported(files) == 2
    assert sentence in capsys.readouterr().err
    assert ledger.reader.counts().samples == 0


def test_only_a_lead_imports(
    ledger: Ledger, files: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATION_PASSPHRASE", "not the right one")
    assert imported(files) == 2
    assert imported(files[:3]) == 2
    assert ledger.reader.counts().samples == 0
