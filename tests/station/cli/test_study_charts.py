"""Moving averages and cumulative sums by command line."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from station.cli.main import run

PUBLISHED = Path(__file__).parents[2] / "published"


def column(file: str, name: str) -> list[float]:
    with (PUBLISHED / file).open(encoding="utf-8") as rows:
        return [float(row[name]) for row in csv.DictReader(rows)]


def written(folder: Path, file: str) -> str:
    path = folder / "values.csv"
    values = column(file, "x")
    path.write_text("value\n" + "".join(f"{value}\n" for value in values), encoding="utf-8")
    return str(path)


def charted(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(["study", "charts", *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_published_moving_averages(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # NIST/SEMATECH handbook 6.3.2.4 [seen-6]: weight 0.3, target 50, s 2.0539; printed
    # limits 52.5884 and 47.4115, the lower one cut, not rounded; no point lies beyond them.
    scheme = ["--weight", "0.3", "--center", "50", "--sigma", "2.0539"]
    chart = charted(capsys, written(tmp_path, "ewma.csv"), "--kind", "ewma", *scheme)
    assert chart["points"] == pytest.approx(column("ewma.csv", "ewma_printed"), abs=0.00501)
    assert chart["upper"] == pytest.approx(52.5884, abs=1e-4)
    assert chart["lower"] == pytest.approx(47.4115, abs=1e-4)
    assert chart["signals"] == []
    assert (chart["kind"], chart["lower_points"]) == ("ewma", None)


def test_the_published_cumulative_sums(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # NIST/SEMATECH handbook 6.3.2.3 [seen-5]: target 325, k 0.3175, h 4.1959 in the
    # unit of the values; first signal at sample 14, on the upper side.
    scheme = ["--center", "325", "--sigma", "1", "--reference", "0.3175", "--threshold", "4.1959"]
    chart = charted(capsys, written(tmp_path, "cusum.csv"), "--kind", "cusum", *scheme)
    assert chart["points"] == pytest.approx(column("cusum.csv", "S_hi_printed"), abs=0.00501)
    down = [-value for value in chart["lower_points"]]
    assert down == pytest.approx(column("cusum.csv", "S_lo_printed"), abs=0.00501)
    assert chart["signals"][0] == {"index": 13, "rule": "cusum-up"}
    assert (chart["lower"], chart["upper"]) == (-4.1959, 4.1959)


def test_a_fall_is_on_the_lower_side(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "falling.csv"
    path.write_text("value\n" + "10\n11\n" * 5 + "7\n" * 8, encoding="utf-8")
    scheme = ["--center", "10.5", "--sigma", "0.6"]
    for kind, rule in (("cusum", "cusum-down"), ("ewma", "ewma")):
        picture = tmp_path / f"{kind}.svg"
        drawn = ["--kind", kind, *scheme, "--plot", str(picture)]
        chart = charted(capsys, str(path), *drawn)
        assert {signal["rule"] for signal in chart["signals"]} == {rule}
        assert chart["signals"][0]["index"] >= 10
        assert "<svg" in picture.read_text(encoding="utf-8")
        assert run(["study", "charts", str(path), "--kind", kind, *scheme]) == 0
        assert f"(from 0): {rule}" in capsys.readouterr().out


def test_individuals_keep_their_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = written(tmp_path, "ewma.csv")
    keys = ["center", "sigma", "lower", "upper", "points", "signals", "warnings"]
    assert list(charted(capsys, file)) == keys
    assert charted(capsys, file) == charted(capsys, file, "--kind", "individuals")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--weight", "0.2"], "--weight does not go with --kind individuals"),
        (["--kind", "ewma", "--threshold", "5"], "--threshold does not go with --kind ewma"),
        (["--kind", "cusum", "--rules", "we"], "--rules does not go with --kind cusum"),
        (["--kind", "ewma", "--weight", "0"], "weight must lie between 0 and 1"),
        (["--kind", "ewma", "--width", "-1"], "width must be a number above 0"),
        (["--kind", "cusum", "--reference", "nan"], "reference must be a number above 0"),
        (["--kind", "cusum", "--sigma", "0"], "sigma above 0"),
    ],
)
def test_bad_schemes_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], says: str
) -> None:
    assert run(["study", "charts", written(tmp_path, "ewma.csv"), *options]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1
