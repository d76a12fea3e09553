"""Standards on record by command line, and who may calibrate with them."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from station.cli.main import run, station
from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret

METER = "Invented meter"
FACTS = ["--instrument", METER, "--certificate", "C-1", "--by", "Ottilie", "--person", "Ottilie",
         "--on", "2031-01-10", "--due", "2999-01-10"]  # fmt: skip
Cli = Callable[..., tuple[int, Any, str]]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "station.ledger"
    Ledger.open(path).close()
    return path


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    folder = tmp_path / "standards"
    folder.mkdir()
    for name, value, due in (("R-1", 1.0, 2032), ("R-2", 5.0, 2031), ("R-3", 10.0, 2032)):
        (folder / f"{name}.toml").write_text(
            f'id = "{name}"\nkind = "resistor"\ntitle = "r"\ncertificate = "K-{name}"\n'
            f"certified_on = 2030-01-01\ndue_on = {due}-01-01\nvalue_mohm = {value}\n"
            "u_mohm = 0.001\nper_k = 0.0001\n",
            encoding="utf-8",
        )
    (folder / "W-5.toml").write_text(
        'id = "W-5"\nkind = "weight"\ntitle = "w"\ncertificate = "K-W"\ncertified_on = 2030-01-01\n'
        "due_on = 2999-01-01\nmass_kg = 5.0\nu_mass_kg = 0.0001\n",
        encoding="utf-8",
    )
    (folder / "C-1.toml").write_text(
        'id = "C-1"\nkind = "cell"\ntitle = "c"\ncertificate = "K-C"\ncertified_on = 2030-01-01\n'
        "due_on = 2999-01-01\nlow_n = 10\nhigh_n = 200\nu_percent = 0.1\n",
        encoding="utf-8",
    )
    file = tmp_path / "bench.toml"
    file.write_text(f'standards_folder = "{folder}"\nlatitude_deg = 45.0\n', encoding="utf-8")
    return file


@pytest.fixture
def cli(path: Path, settings: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    def call(*arguments: str) -> tuple[int, Any, str]:
        where = ["--ledger", str(path), "--settings", str(settings)]
        code = run(["calibrate", *arguments, *where, "--json"])
        printed = capsys.readouterr()
        return code, json.loads(printed.out) if printed.out else None, printed.err

    return call


def points(folder: Path, text: str) -> str:
    file = folder / "points.csv"
    file.write_text(text, encoding="utf-8")
    return str(file)


def test_standards_are_listed_and_one_overdue_exits_1(cli: Cli) -> None:
    code, found, _ = cli("standards")
    # None of them runs out before the test does, but the three resistors may.
    assert {item["standard"] for item in found} == {"R-1", "R-2", "R-3", "W-5", "C-1"}
    assert code == int(any(item["overdue"] for item in found))


def test_a_meter_is_calibrated_by_the_names_of_standards(cli: Cli, tmp_path: Path) -> None:
    file = points(tmp_path, "standard,reading_mohm\nR-1,1.001\nR-2,5.005\nR-3,10.01\n")
    code, found, said = cli(
        "meter", *FACTS, "--reference", "the shop's", "--temperature-c", "30", "--from", file
    )
    assert code == 0
    assert found["points"][1]["reference"] == pytest.approx(5e-3 * 1.001)
    # Certificate, and half a kelvin on 100 ppm/K, in quadrature.
    assert found["points"][1]["u_reference"] == pytest.approx((1e-12 + (2.5e-7) ** 2) ** 0.5)
    assert found["standards_overdue"] == [
        "The standard R-2 (K-R-2) was due on 2031-01-01: have it calibrated; what rests on it is "
        "not traceable until then."
    ]
    assert "R-2 (K-R-2) was due" in said


def test_the_record_names_the_standards(cli: Cli, path: Path, tmp_path: Path) -> None:
    file = points(tmp_path, "standard,reading_mohm\nR-1,1.001\nR-2,5.005\nR-3,10.01\n")
    cli("meter", *FACTS, "--reference", "the shop's", "--temperature-c", "20", "--from", file)
    with Ledger.open(path) as ledger:
        (entry,) = ledger.reader.calibrations(METER)
    reference = entry.payload.model_dump()["reference"]
    assert reference.startswith("the shop's; R-1 (certificate K-R-1, due 2032-01-01)")
    assert "R-2 (certificate K-R-2, OVERDUE since 2031-01-01)" in reference


def test_a_tester_is_calibrated_against_a_cell(cli: Cli, tmp_path: Path) -> None:
    rows = "".join(f"C-1,{f},{1.002 * f}\n" for f in (20, 50, 100, 150, 190))
    file = points(tmp_path, "standard,reference_n,reading_n\n" + rows)
    tester = ("tester", *FACTS, "--reference", "cell", "--resolution-n", "0.02")
    code, found, _ = cli(*tester, "--from", file)
    assert code == 0
    assert found["slope"] == pytest.approx(1.002)
    assert found["points"][4]["u_reference"] == pytest.approx(0.19)
    file = points(tmp_path, "standard,reference_n,reading_n\n" + rows.replace("190", "210"))
    code, _, said = cli(*tester, "--from", file)
    assert code == 2
    assert "covers 10 to 200 N" in said


def test_a_check_takes_its_value_from_the_record(cli: Cli) -> None:
    check = ("check", "weight", "--instrument", "T", "--standard", "W-5", "--limit", "0.5",
             "--reading", "49.1", "--person", "Bo")  # fmt: skip
    code, found, _ = cli(*check)
    assert code == 0
    # 5 kg at 45 degrees, as in test_calibration_records.py.
    assert found["expected"] == pytest.approx(49.0236, abs=1e-3)
    code, _, said = cli("check", "resistor", "--instrument", METER, "--standard", "R-1",
                        "--limit", "0.01", "--reading", "1", "--person", "Bo")  # fmt: skip
    assert code == 2
    assert "depends on its temperature" in said


def test_guided_entry_offers_the_standards(path: Path, settings: Path) -> None:
    answers = ["R-1", "1.001", "R-2", "5.005", "R-3", "10.01", "", "n"]
    where = ["--ledger", str(path), "--settings", str(settings)]
    result = CliRunner().invoke(
        station,
        ["calibrate", "meter", *FACTS, "--reference", "x", "--temperature-c", "20", *where],
        input="\n".join(answers) + "\n",
        standalone_mode=False,
    )
    assert result.exception is None, result.output
    assert "Standards on record: R-1, R-2, R-3" in result.output
    assert "ACCEPTED" in result.output


def test_who_may_calibrate(
    cli: Cli, path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = points(tmp_path, "reference_mohm,reading_mohm\n1,1.001\n5,5.005\n10,10.01\n")
    enter = ("meter", *FACTS, "--reference", "R-1 to R-3", "--from", file)
    code, _, said = cli(*enter)
    assert code == 0
    assert "on Ottilie's word" in said
    with Ledger.open(path) as ledger:
        ledger.append(PersonAdded(name="Ottilie", role="apprentice"), person="Ottilie")
    code, _, said = cli(*enter)
    assert code == 2
    assert "a lead must do that" in said
    with Ledger.open(path) as ledger:
        ledger.append(PersonAdded(name="Ottilie", role="lead"), person="Ottilie")
        give_secret(ledger, "Ottilie")
    with cheap_hashes():
        monkeypatch.setenv("STATION_PASSPHRASE", "not the passphrase at all")
        assert cli(*enter)[0] == 2
        monkeypatch.setenv("STATION_PASSPHRASE", PASSPHRASE)
        code, _, said = cli(*enter)
    assert code == 0
    assert "word" not in said
    with Ledger.open(path) as ledger:
        assert len(ledger.reader.calibrations(METER)) == 2
