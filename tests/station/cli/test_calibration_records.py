"""Calibrations, checks, states and look-backs by command line."""

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from station.cli.main import station
from station.ledger.entries import ToolAdded
from station.ledger.store import Ledger
from tests.station.cli.ledger_calls import Cli, caller
from tests.station.ledger.invented_entries import PULL, RESISTANCE

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

METER, TESTER = "Invented meter", "Invented tester"
WHO = ["--reference", "R-1 to R-4", "--by", "Ottilie", "--person", "Ottilie"]
WHEN = ["--on", "2001-01-10", "--due", "2999-01-10"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "station.ledger"
    Ledger.open(path).close()
    return path


@pytest.fixture
def cli(path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    return caller("calibrate", path, capsys)


def points_file(folder: Path, text: str) -> str:
    file = folder / "points.csv"
    file.write_text(text, encoding="utf-8")
    return str(file)


def meter_points(folder: Path, scale: float = 1.002) -> str:
    rows = "".join(f"{r},{r * scale},{r * 1e-4}\n" for r in (0.1, 1.0, 2.0, 10.0))
    return points_file(folder, "reference_mohm,reading_mohm,u_reference_mohm\n" + rows)


def enter_meter(cli: Cli, folder: Path, *when: str) -> tuple[int, Any]:
    return cli("meter", "--instrument", METER, "--certificate", "C-1", *WHO, *(when or WHEN),
               "--from", meter_points(folder))  # fmt: skip


def enter_tester(cli: Cli, file: str, *more: str) -> tuple[int, Any]:
    return cli("tester", "--instrument", TESTER, "--certificate", "C-2", *WHO, *WHEN,
               "--resolution-n", "0.02", "--zero-n", "0", "--from", file, *more)  # fmt: skip


def check(cli: Cli, reading: float, standard: str = "R-1") -> tuple[int, Any]:
    return cli("check", "resistor", "--instrument", METER, "--standard", standard, "--expected",
               "1", "--limit", "0.01", "--reading", str(reading), "--person", "Benno")  # fmt: skip


def test_a_meter_is_calibrated_from_a_file(cli: Cli, tmp_path: Path) -> None:
    code, found = enter_meter(cli, tmp_path)
    assert code == 0
    assert found["accepted"]
    assert found["slope"] == pytest.approx(1.002)
    assert found["points"][1]["error_percent"] == pytest.approx(0.2)
    assert found["points"][1]["corrected"] == pytest.approx(1e-3)
    assert found["points"][1]["u_corrected"] == pytest.approx(1e-7, rel=1e-3)
    code, states = cli("state")
    assert code == 0
    assert states[0]["state"] == "valid"
    assert states[0]["certificate"] == "C-1"


def test_six_tenths_of_a_per_cent_is_refused_for_class_a_half_and_accepted_for_class_1(
    cli: Cli, tmp_path: Path
) -> None:
    # ISO 7500-1:2018, class limits of the indication error [seen-1].
    rows = "".join(f"{f},{f * 1.006}\n" for f in (20, 40, 60, 80, 100) for _ in range(3))
    file = points_file(tmp_path, "reference_n,reading_n\n" + rows)
    code, found = enter_tester(cli, file, "--class", "0.5")
    assert (code, found["accepted"]) == (1, False)
    assert cli("state")[1][0]["state"] == "failed"
    code, found = enter_tester(cli, file, "--class", "1")
    assert (code, found["accepted"]) == (0, True)
    assert found["class_left"] == "ISO 7500-1:2018 class 1"
    assert found["shortfalls"] == []
    assert cli("state")[1][0]["state"] == "valid"


def test_hung_weights_pull_differently_at_the_equator(cli: Cli, tmp_path: Path) -> None:
    # GRS80 and 0.015 % buoyancy [calc]: 10 kg pull 98.047 N at 45 degrees, 97.789 N at 0.
    file = points_file(tmp_path, "mass_kg,reading_n\n2,19.6\n5,49\n10,98.0\n")
    north = enter_tester(cli, file, "--latitude", "45")[1]
    equator = enter_tester(cli, file, "--latitude", "0")[1]
    assert north["points"][2]["reference"] == pytest.approx(98.047, abs=1e-3)
    assert equator["points"][2]["reference"] == pytest.approx(97.789, abs=1e-3)
    code, said = enter_tester(cli, file)
    assert code == 2
    assert "--latitude" in said


def test_as_found_and_as_left_are_told_apart(cli: Cli, tmp_path: Path) -> None:
    rows = "".join(
        f"{f},{f * scale},{series}\n"
        for series, scale in (("as_found", 1.02), ("as_left", 1.001))
        for f in (20, 40, 60, 80, 100)
    )
    file = points_file(tmp_path, "reference_n,reading_n,series\n" + rows)
    code, found = enter_tester(cli, file, "--class", "1")
    assert code == 0
    assert found["class_found"] == "ISO 7500-1:2018 class 2"
    assert found["class_left"] == "ISO 7500-1:2018 class 0.5"
    assert found["slope"] == pytest.approx(1.001)


def test_overdue_exits_1_and_says_so(cli: Cli, tmp_path: Path) -> None:
    enter_meter(cli, tmp_path, "--on", "2001-01-10", "--due", "2002-01-10")
    code, states = cli("state")
    assert code == 1
    assert states[0]["state"] == "overdue"
    assert "due on 2002-01-10" in states[0]["sentence"]
    assert not states[0]["blocked"]


def test_the_setting_blocks(cli: Cli, tmp_path: Path) -> None:
    enter_meter(cli, tmp_path, "--on", "2001-01-10", "--due", "2002-01-10")
    settings = tmp_path / "bench.toml"
    settings.write_text('uncalibrated = "block"\n', encoding="utf-8")
    assert cli("state", "--settings", str(settings))[1][0]["blocked"]


def sample(ledger: Ledger, begun: Any, finished: Any, instrument: str) -> str:
    begun_id: str = ledger.append(begun(), person="Bo").id
    used = RESISTANCE.instrument.model_copy(update={"identity": instrument})
    reading = RESISTANCE.model_copy(update={"instrument": used})
    ledger.append(finished(begun_id, resistance=reading, pull=PULL), person="Bo")
    return begun_id


def test_a_failed_check_leads_to_the_samples_since_the_last_good_one(
    cli: Cli, path: Path, begun: Any, finished: Any
) -> None:
    def make(instrument: str) -> str:
        with Ledger.open(path) as ledger:
            return sample(ledger, begun, finished, instrument)

    make(METER)
    assert check(cli, 1.001)[0] == 0
    spoilt = [make(METER), make(METER)]
    make("another meter")
    assert check(cli, 1.0, standard="R-2")[0] == 0
    spoilt.append(make(METER))
    code, found = check(cli, 1.02)
    assert (code, found["passed"]) == (1, False)
    assert "0.001 is allowed" not in found["reason"]
    code, back = cli("look-back", "--instrument", METER)
    assert code == 0
    assert [row["sample"] for row in back["samples"]] == spoilt
    assert "check resistor R-1 passed" in back["why"]
    assert cli("state", "--instrument", METER)[1][0]["state"] == "failed"
    assert check(cli, 1.0)[0] == 0
    assert cli("state", "--instrument", METER)[1][0]["state"] == "missing"


def test_looking_back_on_a_tool(cli: Cli, path: Path, begun: Any, finished: Any) -> None:
    with Ledger.open(path) as ledger:
        ledger.append(ToolAdded(tool="T1", description="ratchet", nests=("A",)), person="Ana")
        ids = []
        for job, verdict in (("daily_check", "pass"), ("job", "pass"), ("daily_check", "fail")):
            begun_id = ledger.append(begun(job=job), person="Bo").id
            ledger.append(finished(begun_id, job=job, verdict=verdict), person="Bo")
            ids.append(begun_id)
    code, back = cli("look-back", "--tool", "T1")
    assert code == 0
    assert [row["sample"] for row in back["samples"]] == ids[1:]
    assert "passed a daily check" in back["why"]


def test_a_check_without_a_baseline_uses_its_stated_limit(cli: Cli) -> None:
    code, found = check(cli, 1.009)
    assert code == 0
    assert found["chart_upper"] == pytest.approx(1.01e-3)
    for _ in range(10):
        assert check(cli, 1.009)[0] == 0
    # Ten alike make the baseline: a tenth of the stated limit is left.
    code, found = check(cli, 1.0)
    assert code == 1
    assert "outside of what this check was before" in found["reason"]


def test_a_zero_and_a_weight(cli: Cli) -> None:
    zero = ("check", "zero", "--instrument", METER, "--limit", "0.05", "--person", "Bo")
    assert cli(*zero, "--role", "meter", "--reading", "0.01")[0] == 0
    assert "--role" in cli(*zero, "--reading", "0.01")[1]
    code, found = cli(
        "check", "weight", "--instrument", TESTER, "--standard", "W-1", "--mass-kg", "5",
        "--latitude", "45", "--limit", "0.5", "--reading", "49.1", "--person", "Bo",
    )  # fmt: skip
    assert code == 0
    assert found["role"] == "tester"
    assert found["expected"] == pytest.approx(49.0236, abs=1e-3)


def test_guided_entry_asks_and_warns(path: Path) -> None:
    answers = [TESTER, "C-2", "W-1 to W-3", "Ottilie", "2001-01-10", "2999-01-10", "Ottilie",
               "0.02", "2", "", "19.6", "5", "", "49.0", "10", "", "98.0", "", "n"]  # fmt: skip
    result = CliRunner().invoke(
        station,
        ["calibrate", "tester", "--latitude", "45", "--ledger", str(path)],
        input="\n".join(answers) + "\n",
        standalone_mode=False,
    )
    assert result.exception is None, result.output
    assert "nobody below it" in result.output
    assert "ACCEPTED" in result.output
    with Ledger.open(path) as ledger:
        assert ledger.reader.instruments() == {TESTER: "tester"}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("look-back",), "either an instrument or a tool"),
        (("look-back", "--instrument", "x"), "no instrument 'x'"),
        (("look-back", "--tool", "x"), "no tool 'x'"),
        (("state", "--instrument", "x"), "no instrument 'x'"),
        (("check", "resistor", "--limit", "1", "--reading", "1", "--person", "B"), "--expected"),
        (("check", "resistor", "--limit", "1", "--reading", "1", "--person", "B", "--expected",
          "1"), "--standard"),
        (("check", "weight", "--role", "meter", "--limit", "1", "--reading", "1", "--person",
          "B"), "checks the tester"),
        (("check", "zero", "--role", "meter", "--limit", "1", "--reading", "1", "--person", "B"),
         "--instrument"),
        (("check", "zero", "--role", "meter", "--limit", "0", "--reading", "1", "--person", "B",
          "--instrument", "m"), "limit of a check must be positive"),
        (("check", "zero", "--role", "meter", "--limit", "1", "--reading", "nan", "--person", "B",
          "--instrument", "m"), "must be numbers"),
    ],
)  # fmt: skip
def test_mistakes_are_one_sentence(cli: Cli, arguments: tuple[str, ...], says: str) -> None:
    code, said = cli(*arguments)
    assert code == 2
    assert says in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("reading_mohm\n1\n", "no column reference_mohm"),
        ("reference_mohm,reading_mohm\n1,1\n2,2\n", "at least 3"),
        ("reference_mohm,reading_mohm,series\n1,1,before\n", "series is 'before'"),
        ("reference_mohm,reading_mohm,u_reference_mohm\n1,1,-1\n", "negative"),
    ],
)
def test_bad_points_are_one_sentence(cli: Cli, tmp_path: Path, text: str, says: str) -> None:
    code, said = cli("meter", "--instrument", METER, "--certificate", "C-1", *WHO, *WHEN, "--from",
                     points_file(tmp_path, text))  # fmt: skip
    assert code == 2
    assert says in said


def test_dates_must_be_in_order(cli: Cli, tmp_path: Path) -> None:
    code, said = enter_meter(cli, tmp_path, "--on", "2002-01-10", "--due", "2001-01-10")
    assert code == 2
    assert "check both dates" in said
