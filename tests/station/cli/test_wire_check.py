import json
from typing import Any

import pytest

from station.cli.main import run

METRE = ["wire-check", "--sold-as", "18 AWG", "--length-mm", "1000", "--reading-u-mohm", "0.05"]


def check(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any]:
    code = run([*METRE, *arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("reading", "code", "answer", "like"),
    [
        # 18 AWG copper, SAE 18, clad 10A and 15A (ASTM B258, B566, SAE areas) [calc].
        ("20.95", 0, "as sold", "18 AWG"),
        ("22.14", 1, "not as sold", "SAE 18"),
        ("33.3", 1, "not as sold", "20 AWG"),
        ("32.5", 1, "not as sold", "18 AWG"),
    ],
)
def test_a_metre_of_wire(
    capsys: pytest.CaptureFixture[str], reading: str, code: int, answer: str, like: str
) -> None:
    exit_code, result = check(capsys, "--reading-mohm", reading)
    assert exit_code == code
    assert result["answer"] == answer
    assert like in {candidate["size"] for candidate in result["candidates"]}


def test_cannot_tell_by_a_poor_meter(capsys: pytest.CaptureFixture[str]) -> None:
    code, result = check(capsys, "--reading-mohm", "20.95", "--reading-u-mohm", "2")
    assert code == 0
    assert result["answer"] == "cannot tell"


def test_words_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*METRE, "--reading-mohm", "33.3"]) == 1
    assert "behaves like" in capsys.readouterr().out


def test_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*METRE, "--reading-mohm", "0"]) == 2
    assert run([*METRE, "--reading-mohm", "20", "--reading-u-mohm", "-1"]) == 2
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("length_mm", "reading_mohm"), [("0.5", "1e-320"), ("1e308", "10"), ("1e-300", "1e300")]
)
def test_what_no_wire_can_have_is_refused(
    capsys: pytest.CaptureFixture[str], length_mm: str, reading_mohm: str
) -> None:
    asked = ["wire-check", "--sold-as", "18 AWG", "--length-mm", length_mm]
    assert run([*asked, "--reading-mohm", reading_mohm]) == 2
    assert "is no wire: check the resistance and length" in capsys.readouterr().err


def test_a_wire_fits_the_standards_whose_band_holds_it(capsys: pytest.CaptureFixture[str]) -> None:
    # 0.75 mm2: IEC 60228 at most 24.5 (class 2) and 26.0 ohm/km (class 5) [seen-5].
    arguments = ["wire-check", "--sold-as", "0.75 mm2", "--length-mm", "1000"]
    assert run([*arguments, "--reading-mohm", "24.5", "--reading-u-mohm", "0.05", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["answer"] == "as sold"
    highest = {band["standard"]: band["high_mohm_per_m"] for band in result["fits"]}
    assert highest["IEC 60228 class 5"] == pytest.approx(26.0)
    assert highest["IEC 60228 class 2"] == pytest.approx(24.5)
