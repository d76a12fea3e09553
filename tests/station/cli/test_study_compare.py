import json
import re
from pathlib import Path

import pytest

from station.cli.main import run

KEYS = [
    "groups", "better", "better_group", "confidence",
    "difference", "difference_low", "difference_high", "difference_p", "difference_dof",
    "typical_difference", "typical_difference_low", "typical_difference_high",
    "typical_difference_p",
    "chance_better", "chance_better_low", "chance_better_high", "chance_better_p",
    "spread_ratio", "spread_ratio_low", "spread_ratio_high", "spread_ratio_p",
    "warnings",
]  # fmt: skip
PAIN = {"new": [3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4], "old": [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1]}


def grouped(folder: Path, groups: dict[str, list[float]]) -> Path:
    path = folder / "groups.csv"
    rows = [f"{name},{value}" for name, values in groups.items() for value in values]
    path.write_text("group,value\n" + "\n".join(rows) + "\n")
    return path


def document(path: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, object]:
    assert run(["study", "compare", str(path), "--json", *options]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    assert list(found) == KEYS
    return found


def test_pain_scores(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Brunner & Munzel 2000: p 0.0057862, scipy's documentation [seen-1]; chance
    # 0.788961 [memory].
    found = document(grouped(tmp_path, {k: list(map(float, v)) for k, v in PAIN.items()}), capsys)
    assert found["chance_better"] == pytest.approx(0.788961, abs=5e-7)
    assert found["chance_better_p"] == pytest.approx(0.0057862086661515377)
    assert found["better_group"] == "new"
    assert isinstance(found["warnings"], list)
    assert "resolution" in " ".join(found["warnings"])


def test_lower_may_be_better(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = grouped(tmp_path, {"a": [0.20, 0.22, 0.21, 0.23], "b": [0.31, 0.30, 0.34, 0.30]})
    higher, lower = document(path, capsys), document(path, capsys, "--better", "lower")
    assert (higher["better_group"], lower["better_group"]) == ("b", "a")
    assert (higher["chance_better"], lower["chance_better"]) == (0.0, 1.0)
    # Groups apart: the interval is that of four pairs, and nothing varied for a probability.
    assert lower["chance_better_low"] == pytest.approx(0.025**0.25)
    assert lower["chance_better_p"] is None
    assert higher["difference"] == lower["difference"]


def test_two_of_many_groups_in_the_order_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = grouped(tmp_path, {"a": [1.0, 2.0, 4.0], "b": [5.0, 6.0, 8.0], "c": [9.0, 9.5, 9.9]})
    found = document(path, capsys, "--groups", "c", "a")
    assert isinstance(found["groups"], list)
    assert [group["name"] for group in found["groups"]] == ["c", "a"]
    assert found["difference"] == pytest.approx(9.4666667 - 2.3333333)


def test_what_people_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = grouped(tmp_path, {"a": [1.0, 2.0, 4.0], "b": [5.0, 6.0, 8.0]})
    assert run(["study", "compare", str(path)]) == 0
    printed = capsys.readouterr().out
    assert "b is better than a with 95% confidence." in printed
    assert re.search(r"chance that a is better +0 \(0 to 0\.7", printed)
    assert "no interval from so few" in printed
    path = grouped(tmp_path, {"a": [1.0, 2.0, 4.0], "b": [2.0, 2.0, 2.0]})
    assert run(["study", "compare", str(path)]) == 0
    printed = capsys.readouterr().out
    assert "No difference between a and b is shown" in printed
    assert re.search(r"ratio of spreads +no spread", printed)


@pytest.mark.parametrize(
    ("text", "options", "says"),
    [
        ("group,value\na,1\nb,1\nb,2\n", [], "group a has 1 values"),
        ("group,value\na,1\na,2\n", [], "has 1 groups"),
        ("group,value\na,1\na,2\nb,3\nb,4\nc,1\n", [], "3 groups (a, b, c)"),
        ("group,value\na,1\na,2\nb,3\nb,4\n", ["--groups", "a", "d"], "no group 'd'"),
        ("group,value\na,1\na,2\nb,3\nb,4\n", ["--groups", "a", "a"], "twice"),
        ("group,value\na,1\na,1\nb,3\nb,3\n", [], "all equal"),
        ("group,value\na,1\na,nan\nb,3\nb,4\n", [], "line 3: value is 'nan'"),
        ("group,value\na,1\na,1e300\nb,3\nb,4\n", [], "too large to be measured"),
        ("group,value\na,1\n,2\nb,3\nb,4\n", [], "the column group is empty"),
        ("group,value,unit\na,1,N\na,2,N\nb,3,lbf\nb,4,lbf\n", [], "mixes units (N, lbf)"),
        ("group,value\na,1\na,2\nb,3\nb,4\n", ["--confidence", "2"], "confidence"),
        ("group,value\na,1\na,2\nb,3\nb,4\n", ["--plot", "x.txt"], "no figure file"),
    ],
)
def test_bad_input_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, options: list[str], says: str
) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(text)
    assert run(["study", "compare", str(path), *options]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert says in printed.err
