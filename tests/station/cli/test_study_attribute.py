"""Pass/fail data by command line: success run and exact binomial bound."""

import json
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from station.cli.main import run


def looks(folder: Path, passed: int, failed: int) -> str:
    path = folder / "looks.csv"
    path.write_text("value\n" + "pass\n" * passed + "Fail\n" * failed, encoding="utf-8")
    return str(path)


def judged(
    capsys: pytest.CaptureFixture[str], file: str, *options: str, code: int = 0
) -> dict[str, Any]:
    assert run(["study", "capability", file, "--attribute", *options, "--json"]) == code
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize(("failed", "needed"), [(0, 59), (1, 93), (2, 124)])
def test_the_usual_numbers_for_95_of_95(
    failed: int, needed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Attribute plans for 95 % with 95 % confidence print 59, 93 and 124 samples for 0, 1 and 2
    # failures (from memory); the binomial distribution itself says so too [calc].
    assert stats.binom.cdf(failed, needed, 0.05) <= 0.05 < stats.binom.cdf(failed, needed - 1, 0.05)
    enough = judged(capsys, looks(tmp_path, needed - failed, failed))
    assert (enough["verdict"], enough["more_samples"], enough["n"]) == ("pass", 0, needed)
    assert enough["share_lower_bound"] >= 0.95
    short = judged(capsys, looks(tmp_path, needed - failed - 1, failed))
    assert (short["verdict"], short["more_samples"]) == ("undecided", 1)
    assert short["share_lower_bound"] < 0.95


def test_too_many_failures_exit_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = judged(capsys, looks(tmp_path, 15, 5), code=1)
    assert found["verdict"] == "fail"
    # Clopper and Pearson 1934, one-sided, by the reference library.
    bound = stats.binomtest(15, 20).proportion_ci(0.90, "exact")
    assert found["share_lower_bound"] == pytest.approx(bound.low)
    assert found["share_upper_bound"] == pytest.approx(bound.high)


def test_a_plan_and_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = looks(tmp_path, 19, 0)
    # Laplace's rule of succession: (19 + 1) / (59 + 1).
    assert judged(capsys, file, "--plan-n", "59")["plan_chance"] == pytest.approx(1 / 3)
    assert judged(capsys, looks(tmp_path, 18, 1), "--plan-n", "59")["plan_chance"] == 0.0
    file = looks(tmp_path, 19, 0)
    assert run(["study", "capability", file, "--attribute", "--plan-n", "59"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("UNDECIDED\n")
    assert "40 more samples would do" in said
    assert "passes: 33%" in said


@pytest.mark.parametrize(
    ("text", "options", "says"),
    [
        ("pass\nmaybe\n", ["--attribute"], "line 3: value is 'maybe', not pass or fail"),
        ("pass\n", ["--attribute", "--lower", "1"], "--attribute has no --lower"),
        ("pass\n", ["--attribute", "--coverage", "1"], "must lie between 0 and 1"),
        ("pass\npass\n", ["--attribute", "--plan-n", "1"], "there are 2 already"),
        ("1\n2\n", [], "Say with --lower"),
    ],
)
def test_bad_input_is_one_sentence(
    text: str, options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "looks.csv"
    path.write_text("value\n" + text, encoding="utf-8")
    assert run(["study", "capability", str(path), *options]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1
