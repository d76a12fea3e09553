"""Gauge studies guided by command line."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from station.cli.main import station
from station.ledger.store import Ledger
from tests.station.cli.ledger_calls import Cli, caller

METER = "Invented meter"
WHO = ["--instrument", METER, "--person", "Ann"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "station.ledger"
    Ledger.open(path).close()
    return path


@pytest.fixture
def cli(path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    return caller("gauge", path, capsys)


def begin_crossed(cli: Cli, *more: str) -> Any:
    people = ["--appraiser", "Ann", "--appraiser", "Bo"]
    parts = [word for n in range(4) for word in ("--part", f"P{n}")]
    code, found = cli(
        "begin", "crossed", "--title", "clips", *people, *parts, "--repeats", "2", "--seed", "7",
        *WHO, *more,
    )  # fmt: skip
    assert code == 0, found
    return found


def finish(cli: Cli, study: Any, spread: float) -> None:
    noise = np.random.default_rng(3)
    value_of = {f"P{n}": 0.30 + 0.02 * n for n in range(4)}
    while study["next"] is not None:
        value = value_of[study["next"]["part"]] + noise.normal(0.0, spread)
        code, study = cli("read", study["study"], "--reading", f"{value:.6f}")
        assert code == 0, study


@pytest.mark.parametrize(
    ("spread", "limit", "answer", "code"),
    [(0.0005, "0.5", "yes", 0), (0.2, "0.36", "no", 1)],
)
def test_a_study_says_whether_good_can_be_told_from_bad(
    cli: Cli, tmp_path: Path, spread: float, limit: str, answer: str, code: int
) -> None:
    study = begin_crossed(cli, "--limit", limit)
    assert (study["turns"], study["measured"], study["seed"]) == (16, 0, 7)
    finish(cli, study, spread)
    picture = tmp_path / "study.svg"
    found_code, found = cli("result", study["study"], "--plot", str(picture))
    assert (found_code, found["telling"]["answer"]) == (code, answer)
    assert found["gauge"]["repeatability_sd"] == pytest.approx(spread, rel=0.5)
    assert found["unit"] == "mΩ"
    assert "<svg" in picture.read_text(encoding="utf-8")


def test_guided_reading_stops_and_goes_on(cli: Cli, path: Path) -> None:
    study = begin_crossed(cli)
    first = study["next"]
    arguments = ["gauge", "read", study["study"], "--ledger", str(path)]
    result = CliRunner().invoke(
        station, arguments, input="0.30\n0.31 0.32\n\n", standalone_mode=False
    )
    assert result.exception is None, result.output
    assert f"1 of 16: {first['appraiser']} measures part {first['part']}" in result.output
    assert "Caution" in result.output
    assert "2 of 16 turns are measured" in result.output
    listed = cli("list")[1]
    assert listed[0]["measured"] == 2
    # What was read before is not shown: it would steer the next reading.
    assert "0.3" not in result.output.split("Reading")[0]


def test_a_misreading_is_measured_again_with_a_reason(cli: Cli) -> None:
    study = begin_crossed(cli)
    assert cli("read", study["study"], "--reading", "9.9")[0] == 0
    code, said = cli("read", study["study"], "--again", "1", "--reading", "0.3")
    assert code == 2
    assert "give the reason" in said
    code, found = cli(
        "read", study["study"], "--again", "1", "--reading", "0.3", "--reason", "clip slipped"
    )
    assert (code, found["measured"]) == (0, 1)


def test_reclipping_and_pulls(cli: Cli) -> None:
    code, study = cli(
        "begin", "reclip", "--title", "r", "--appraiser", "Ann", "--part", "P1", "--clippings",
        "3", "--each", "2", *WHO,
    )  # fmt: skip
    assert (code, study["turns"], study["seed"]) == (0, 6, None)
    for value in ("1", "1.02", "1.1", "1.12", "0.9", "0.92"):
        assert cli("read", study["study"], "--reading", value)[0] == 0
    code, found = cli("result", study["study"])
    assert code == 0
    # By hand, as in test_gauge_studies.py: variance between clippings 0.0099.
    assert found["reclip"]["reclip_sd"] == pytest.approx(0.0099**0.5)
    code, study = cli(
        "begin", "nested", "--title", "n", "--appraiser", "Ann", "--batch", "A", "--batch", "B",
        "--each", "2", "--limit", "80", *WHO,
    )  # fmt: skip
    assert (code, study["turns"]) == (0, 4)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("begin", "crossed", "--title", "t", "--appraiser", "A", "--part", "P", *WHO), "2 parts"),
        (("begin", "reclip", "--title", "t", "--part", "P", *WHO), "one --appraiser"),
        (("begin", "crossed", "--title", " ", "--appraiser", "A", "--part", "P", "--part", "Q",
          *WHO), "title"),
        (("read", "none", "--reading", "1"), "no study 'none'"),
        (("result", "none"), "no study 'none'"),
    ],
)  # fmt: skip
def test_bad_input_exits_2_with_one_sentence(
    cli: Cli, arguments: tuple[str, ...], says: str
) -> None:
    code, said = cli(*arguments)
    assert code == 2
    assert says in said


def test_a_study_given_up_has_no_result(cli: Cli) -> None:
    study = begin_crossed(cli)
    drop = ("drop", study["study"], "--reason", "lost", "--person", "Ann")
    assert cli(*drop)[1]["dropped"] == "lost"
    assert cli("list")[1][0]["dropped"] == "lost"
    assert "0 of 16" in cli("result", study["study"])[1]
    assert "given up" in cli("read", study["study"], "--reading", "1")[1]
    assert cli(*drop)[0] == 2
