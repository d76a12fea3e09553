import json
from pathlib import Path

import pytest

from station.cli.main import run
from station.statistics.planning import chance_to_pass

KEYS = [
    "n", "mean", "sd", "k", "lower_tolerance_bound", "ppk", "ppk_lower_bound", "verdict",
    "more_samples",
]  # fmt: skip


@pytest.fixture
def pulls(tmp_path: Path) -> Path:
    path = tmp_path / "pulls.csv"
    path.write_text("value\n" + "\n".join(map(str, range(141, 151))) + "\n")
    return path


def test_the_chance_of_a_plan(pulls: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["study", "capability", str(pulls), "--lower", "138", "--plan-n", "30"]
    assert run([*arguments, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert list(result)[: len(KEYS)] == KEYS
    wide = 1.18 * result["sd"]
    assert result["judged_bound"] == pytest.approx(result["mean"] - result["k"] * wide)
    assert result["rests_on"] == "shape"
    assert result["cannot_be_shown"] is None
    expected = chance_to_pass(10, result["mean"], wide, 138.0, 30)
    assert result["plan_chance"] == pytest.approx(expected)
    assert result["plan_n"] == 30
    assert result["more_samples"] > 0
    assert run(arguments) == 0
    printed = capsys.readouterr().out
    assert f"plan of 30 passes: {expected:.0%}, 20 still to come" in printed
    assert "no number gives a 90% chance to pass yet" in printed


def test_a_pass_says_what_so_few_cannot_show(
    pulls: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["study", "capability", str(pulls), "--lower", "120"]
    assert run([*arguments, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert (result["verdict"], result["cannot_be_shown"]) == ("pass", "that there are no strays")
    assert run(arguments) == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first == "PASS as they spread; that there are no strays cannot be shown by 10"
    pulls.write_text("value\n" + "\n".join(f"{140 + number / 10}" for number in range(59)))
    assert run([*arguments, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cannot_be_shown"] is None


def test_the_number_that_is_likely_to_do(pulls: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["study", "capability", str(pulls), "--lower", "136"]
    assert run([*arguments, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    likely = result["more_samples_likely"]
    assert likely > result["more_samples"] > 0
    assert result["plan_chance"] is None
    assert run(arguments) == 0
    assert f"{likely} more give a 90% chance to pass" in capsys.readouterr().out


def test_without_a_spread_nothing_is_foreseen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "equal.csv"
    path.write_text("value\n5\n5\n5\n")
    assert run(["study", "capability", str(path), "--lower", "1", "--plan-n", "9", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["verdict"] == "undecided"
    assert [result[key] for key in ("plan_chance", "more_samples_likely", "ppk")] == [None] * 3
    assert "cannot be known" in result["warnings"][0]


def test_a_plan_smaller_than_its_samples_is_refused(
    pulls: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["study", "capability", str(pulls), "--lower", "1", "--plan-n", "9"]) == 2
    assert "9 values, but there are 10 already" in capsys.readouterr().err
