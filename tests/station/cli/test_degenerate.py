"""Every study, given input that cannot carry a result: a refusal or a warning that says why."""

import json
from pathlib import Path

import pytest

from station.cli.main import run

STUDIES = {
    "capability": ["--lower", "0.5"],
    "charts": [],
    "drift": [],
    "shop-limit": ["--size", "18 AWG"],
}

ONE = "value\n1\n"
CONSTANT = "value\n" + "0.1\n" * 12
NOT_A_NUMBER = "value\n1\nNaN\n3\n"
NOTHING = "value\n"
EMPTY_CELL = "other,value\n1,2\n2,\n3,4\n"
INFINITE = "value\n1\n-inf\n3\n"
MIXED = "value,unit\n" + "".join(f"{n},{'lbf' if n == 7 else 'N'}\n" for n in range(1, 13))
TIES = "value\n" + "1\n2\n1\n1\n2\n" * 4


def refusal(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    return printed.err


@pytest.mark.parametrize("study", STUDIES)
@pytest.mark.parametrize(
    ("text", "says"),
    [
        (ONE, ("at least 2 ", "too few", "at least 10 samples")),
        (NOT_A_NUMBER, ("line 3: value is 'NaN', not a number",)),
        (INFINITE, ("line 3: value is '-inf', not a number",)),
        (EMPTY_CELL, ("line 3: value is '', not a number",)),
        (NOTHING, ("has a header but no rows",)),
        (MIXED, ("mixes units (N, lbf)",)),
    ],
)
def test_refusals_say_why(
    study: str,
    text: str,
    says: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    told = refusal(["study", study, str(path), *STUDIES[study]], capsys)
    assert any(words in told for words in says)
    assert "odd.csv" in told or study == "shop-limit"


@pytest.mark.parametrize("study", ["charts", "drift", "shop-limit"])
def test_equal_values_are_refused(
    study: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "equal.csv"
    path.write_text(CONSTANT)
    told = refusal(["study", study, str(path), *STUDIES[study]], capsys)
    assert "equal" in told or "values that differ" in told


@pytest.mark.parametrize(
    ("study", "text", "options", "says"),
    [
        ("capability", CONSTANT, ["--lower", "0.05"], "All values are equal"),
        ("capability", TIES, ["--lower", "0.5"], "resolution of the gauge"),
        ("charts", TIES, [], "resolution of the gauge"),
        ("charts", CONSTANT, ["--center", "0.1", "--sigma", "1"], "All values are equal"),
        ("drift", TIES, ["--baseline", "10"], "resolution of the gauge"),
        ("drift", CONSTANT, ["--center", "0.1", "--sigma", "1"], "All values are equal"),
        ("shop-limit", TIES, ["--size", "18 AWG"], "resolution of the gauge"),
        ("compare", "group,value\n" + "a,1\na,2\nb,1\nb,1\n" * 3, [], "resolution of the gauge"),
        ("compare", "group,value\n" + "a,1\nb,2\nb,3\na,1\n" * 3, [], "All values of a are equal"),
    ],
)
def test_warnings_say_why(
    study: str,
    text: str,
    options: list[str],
    says: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    arguments = ["study", study, str(path), *options]
    assert run([*arguments, "--json"]) == 0
    assert any(says in warning for warning in json.loads(capsys.readouterr().out)["warnings"])
    assert run(arguments) == 0
    assert says in capsys.readouterr().out


CROSSED = "part,appraiser,trial,value\n"
NESTED = "part,batch,value\n"


@pytest.mark.parametrize(
    ("text", "options", "says"),
    [
        (CROSSED + "1,A,1,2\n", [], "at least two parts"),
        (CROSSED + "1,A,1,2\n1,A,2,nan\n", [], "line 3: value is 'nan'"),
        (CROSSED + "1,A,1,.1\n1,A,2,.1\n2,A,1,.1\n2,A,2,.1\n", [], "all values are equal"),
        (CROSSED + "1,A,1,2\n1,A,2,3\n2,A,1,4\n", [], "part 2 1 times"),
        (CROSSED.strip() + ",unit\n1,A,1,2,N\n1,A,2,3,lbf\n", [], "mixes units (N, lbf)"),
        (NESTED + "1,A,2\n", ["--nested"], "at least two parts in every batch"),
        (NESTED + "1,A,2\n2,A,nan\n", ["--nested"], "line 3: value is 'nan'"),
        (NESTED + "1,A,.1\n2,A,.1\n3,B,.1\n4,B,.1\n", ["--nested"], "all values are equal"),
        (NESTED + "1,A,2\n2,A,3\n3,B,2\n", ["--nested"], "equal numbers"),
        (NESTED + "1,A,2\n2,A,3\n", ["--nested"], "at least two batches"),
    ],
)
def test_gauge_studies_refuse(
    text: str,
    options: list[str],
    says: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    assert says in refusal(["study", "gauge", str(path), *options], capsys)


@pytest.mark.parametrize(
    ("values", "says"),
    [((1, 1, 2, 2, 3, 3), "Repeats do not differ"), ((1, 2, 2, 3, 3, 2), "resolution")],
)
def test_a_coarse_gauge_is_told(
    values: tuple[int, ...], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "coarse.csv"
    rows = [f"{n // 2},A,{n % 2},{value}" for n, value in enumerate(values)]
    path.write_text(CROSSED + "\n".join(rows) + "\n")
    assert run(["study", "gauge", str(path), "--json"]) == 0
    assert any(says in warning for warning in json.loads(capsys.readouterr().out)["warnings"])
    assert run(["study", "gauge", str(path)]) == 0
    printed = capsys.readouterr().out
    assert "Warning: " in printed
    assert says in printed


@pytest.mark.parametrize("study", [*STUDIES, "gauge"])
def test_a_device_is_no_table(study: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(["study", study, "/dev/zero", *STUDIES.get(study, ())], capsys)
    assert "zero has a line of more than 100000 characters: it is no CSV file" in said


def test_settings_without_an_end_are_not_read_to_it(capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(["job", "due", "--settings", "/dev/zero"], capsys)
    assert "could not be read: File too large" in said
