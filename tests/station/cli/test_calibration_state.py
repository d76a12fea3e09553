"""What every instrument is worth, by command line."""

from datetime import date
from pathlib import Path

import pytest

from station.ledger.entries import InstrumentCalibrated, InstrumentChecked
from station.ledger.store import Ledger
from tests.station.cli.ledger_calls import Cli, caller
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED

LATER = date(2999, 1, 10)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "station.ledger"
    Ledger.open(path).close()
    return path


@pytest.fixture
def cli(path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    return caller("calibrate", path, capsys)


def enter(path: Path, *payloads: InstrumentCalibrated | InstrumentChecked) -> None:
    with Ledger.open(path, create=False) as ledger:
        for payload in payloads:
            ledger.append(payload, person="Ottilie")


def test_a_valid_calibration_exits_0(cli: Cli, path: Path) -> None:
    enter(path, CALIBRATED.model_copy(update={"due_on": LATER}))
    code, states = cli("state")
    assert code == 0
    assert (states[0]["state"], states[0]["certificate"]) == ("valid", "C-1")
    assert states[0]["due_on"] == LATER.isoformat()
    assert not states[0]["blocked"]


def test_overdue_exits_1_and_says_so(cli: Cli, path: Path) -> None:
    enter(path, CALIBRATED)
    code, states = cli("state")
    assert code == 1
    assert states[0]["state"] == "overdue"
    assert "due on 2025-02-01" in states[0]["sentence"]
    assert not states[0]["blocked"]


def test_a_refused_calibration_and_a_failed_check_count_as_failed(cli: Cli, path: Path) -> None:
    enter(path, CALIBRATED.model_copy(update={"due_on": LATER, "accepted": False}))
    assert cli("state")[1][0]["state"] == "failed"
    enter(path, CALIBRATED.model_copy(update={"due_on": LATER}))
    assert cli("state")[1][0]["state"] == "valid"
    enter(path, CHECKED.model_copy(update={"passed": False}))
    code, states = cli("state")
    assert (code, states[0]["state"], states[0]["checks"]) == (1, "failed", 1)


def test_the_setting_blocks(cli: Cli, path: Path, tmp_path: Path) -> None:
    enter(path, CALIBRATED)
    settings = tmp_path / "bench.toml"
    settings.write_text('uncalibrated = "block"\n', encoding="utf-8")
    assert cli("state", "--settings", str(settings))[1][0]["blocked"]


def test_an_instrument_is_asked_for_by_name(cli: Cli, path: Path) -> None:
    enter(path, CALIBRATED)
    assert len(cli("state", "--instrument", "invented")[1]) == 1
    code, said = cli("state", "--instrument", "none")
    assert code == 2
    assert said == "There is no instrument 'none' on record.\n"
