import json
import math
import statistics
from pathlib import Path

import pytest

from station.cli.main import run

PUBLISHED = Path(__file__).parents[2] / "published"


def test_classic_crossed_study(capsys: pytest.CaptureFixture[str]) -> None:
    # AIAG MSA, 4th edition, tables III-B 7/8, printed values [seen-2].
    assert run(["study", "gauge", str(PUBLISHED / "crossed_10x3x3.csv"), "--json"]) == 0
    study = json.loads(capsys.readouterr().out)
    assert study["repeatability_sd"] == pytest.approx(0.199933, abs=1e-6)
    assert study["reproducibility_sd"] == pytest.approx(0.226838, abs=1e-6)
    assert study["gauge_sd"] == pytest.approx(0.302373, abs=3e-6)
    assert study["part_sd"] == pytest.approx(1.042327, abs=1e-6)
    assert round(study["percent_gauge"], 1) == 27.9
    assert study["distinct_categories"] == 4
    assert study["pooled"] is True
    assert study["unpooled"]["repeatability_sd"] == pytest.approx(0.21443466, abs=1e-8)


def nested_file(folder: Path, column: str) -> Path:
    rows = (PUBLISHED / "dyestuff.csv").read_text().splitlines()
    place = rows[0].split(",").index(column)
    lines = [
        f"{number},{row.split(',')[0]},{row.split(',')[place]}"
        for number, row in enumerate(rows[1:])
    ]
    path = folder / "pulls.csv"
    path.write_text("part,batch,value\n" + "\n".join(lines) + "\n")
    return path


def test_dyestuff_nested(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # lme4 documentation: 42.00 between batches, 49.51 within [seen-1].
    assert run(["study", "gauge", str(nested_file(tmp_path, "yield")), "--nested", "--json"]) == 0
    study = json.loads(capsys.readouterr().out)
    assert round(study["part_sd"], 2) == 42.00
    assert round(study["repeatability_sd"], 2) == 49.51
    assert study["reproducibility_sd"] is None


def test_the_negative_twin_floors_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = nested_file(tmp_path, "yield2")
    assert run(["study", "gauge", str(path), "--nested"]) == 0
    assert "came out negative and is stated as 0" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "nested", "says"),
    [
        ("part,appraiser,trial,value\n1,A,1,2\n1,A,1,3\n", False, "line 3"),
        ("part,appraiser,trial,value\n1,A,1,2\n1,A,2,3\n2,A,1,3\n", False, "part 2 1 times"),
        ("part,value\n1,2\n", False, "no column appraiser, trial"),
        ("part,batch,value\n1,a,2\n1,a,3\n", True, "a pulled part is gone"),
        ("part,appraiser,trial,value\n,A,1,2\n", False, "the column part is empty"),
    ],
)
def test_bad_files_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, nested: bool, says: str
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    assert run(["study", "gauge", str(path), *(["--nested"] if nested else [])]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert says in printed.err


def values_file(folder: Path, *values: float) -> Path:
    path = folder / "pulls.csv"
    path.write_text("value\n" + "\n".join(map(str, values)) + "\n")
    return path


def test_capability_by_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # n = 10, 95/95: k = 2.911 (Montgomery & Runger, table XII [seen-1]).
    path = values_file(tmp_path, *range(141, 151))
    assert run(["study", "capability", str(path), "--lower", "89", "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["k"] == pytest.approx(2.911, abs=5e-4)
    assert result["lower_tolerance_bound"] == pytest.approx(145.5 - result["k"] * result["sd"])
    assert result["verdict"] == "pass"
    assert result["more_samples"] == 0


def test_capability_that_fails_exits_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = values_file(tmp_path, *range(141, 151))
    assert run(["study", "capability", str(path), "--lower", "146"]) == 1
    assert "More samples alone will not do" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--lower", "nan"], "finite"),
        (["--lower", "1", "--coverage", "2"], "coverage"),
        (["--lower", "1", "--confidence", "0"], "confidence"),
        ([], "--lower"),
    ],
)
def test_capability_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    path = values_file(tmp_path, 1.0, 2.0)
    assert run(["study", "capability", str(path), *arguments]) == 2
    assert says in capsys.readouterr().err


def test_flow_rate_chart_by_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # NIST/SEMATECH handbook 6.3.2.2: 50.81, 55.8041, 45.8159, nothing out of control [seen-1].
    rows = (PUBLISHED / "flow_rate.csv").read_text().splitlines()[1:]
    path = values_file(tmp_path, *(float(row.split(",")[1]) for row in rows))
    assert run(["study", "charts", str(path), "--json"]) == 0
    chart = json.loads(capsys.readouterr().out)
    assert chart["center"] == pytest.approx(50.81)
    assert chart["upper"] == pytest.approx(55.8041, abs=1e-4)
    assert chart["lower"] == pytest.approx(45.8159, abs=1e-4)
    assert chart["signals"] == []


def test_chart_of_subgroups_with_rules(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "groups.csv"
    path.write_text("subgroup,value\na,10\na,11\nb,10\nb,12\nc,19\nc,20\n")
    arguments = ["study", "charts", str(path), "--rules", "we", "--center", "10.5", "--sigma", "1"]
    assert run([*arguments, "--json"]) == 0
    chart = json.loads(capsys.readouterr().out)
    assert chart["points"] == [10.5, 11.0, 19.5]
    assert chart["signals"] == [{"index": 2, "rule": "we-1"}]
    assert run(arguments) == 0
    assert "point 2 (from 0): we-1" in capsys.readouterr().out


def test_a_chart_of_equal_values_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["study", "charts", str(values_file(tmp_path, 1.0, 1.0, 1.0))]) == 2
    assert "values that differ" in capsys.readouterr().err


def test_the_study_says_whether_it_can_tell_good_from_bad(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Gauge 0.302, parts 1.042 (as above), mean 0.0014 of the 90 values: by hand, normal table.
    study = ["study", "gauge", str(PUBLISHED / "crossed_10x3x3.csv"), "--limit", "3"]
    assert run([*study, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["telling"]
    assert told["blind_half_width"] == pytest.approx(1.645 * 0.302373, abs=1e-4)
    assert told["margin"] == pytest.approx(3.0 - 0.0014, abs=1e-3)
    assert told["share_decided"] == pytest.approx(0.989, abs=1e-3)
    assert told["answer"] == "yes"
    assert run(study) == 0
    printed = capsys.readouterr().out
    assert "Yes: a single measurement within 0.497" in printed
    ruler = next(line for line in printed.splitlines() if line.startswith("-"))
    assert ruler.count("|") == 1
    assert ruler.index("o") < ruler.index("/") < ruler.index("|")


def test_without_a_limit_nothing_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["study", "gauge", str(PUBLISHED / "crossed_10x3x3.csv"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["telling"] is None


def test_shop_limit_from_splices(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # n = 10, 99 % with 95 %: k = 3.981 (Montgomery & Runger, table XII [seen-1]).
    values = [0.20, 0.21, 0.22, 0.23, 0.24, 0.25, 0.26, 0.27, 0.28, 0.29]
    path = values_file(tmp_path, *values)
    arguments = ["study", "shop-limit", str(path), "--size", "18awg"]
    assert run([*arguments, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    logs = [math.log(value) for value in values]
    expected = math.exp(statistics.fmean(logs) + 3.981 * statistics.stdev(logs))
    assert result["size"] == "18 AWG"
    assert result["resistance_max_mohm"] == pytest.approx(expected, rel=1e-4)
    assert run(arguments) == 0
    assert '"18 AWG" = ' in capsys.readouterr().out


def test_shop_limit_refuses_too_few_and_impossible(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for values in ([0.2, 0.3], [0.2] * 9 + [0.0], [0.2] * 12):
        path = values_file(tmp_path, *values)
        assert run(["study", "shop-limit", str(path), "--size", "18 AWG"]) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_a_gauge_study_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(PUBLISHED / "crossed_10x3x3.csv")
    picture = tmp_path / "gauge.svg"
    assert run(["study", "gauge", file, "--limit", "3", "--plot", str(picture), "--json"]) == 0
    json.loads(capsys.readouterr().out)
    drawn = picture.read_text(encoding="utf-8")
    assert "<svg" in drawn
    assert run(["study", "gauge", file, "--plot", str(tmp_path / "gauge.doc")]) == 2
