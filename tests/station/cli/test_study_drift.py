import json
from pathlib import Path

import numpy as np
import pytest

from station.cli.main import run

KEYS = [
    "signal_index", "change_began_index", "slope_per_sample", "slope_low", "slope_high", "detector",
    "detectable", "assumes", "warnings",
]  # fmt: skip


def column(folder: Path, values: list[float]) -> Path:
    path = folder / "pulls.csv"
    path.write_text("value\n" + "".join(f"{value!r}\n" for value in values))
    return path


@pytest.fixture
def falling(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    fall = 0.5 * np.maximum(np.arange(100) - 59, 0)
    return column(tmp_path, (rng.normal(120.0, 3.0, 100) - fall).tolist())


@pytest.mark.parametrize("given", [[], ["--center", "120", "--sigma", "3"]])
def test_a_fall_is_found(
    falling: Path, capsys: pytest.CaptureFixture[str], given: list[str]
) -> None:
    assert run(["study", "drift", str(falling), "--direction", "down", "--json", *given]) == 0
    study = json.loads(capsys.readouterr().out)
    assert list(study) == KEYS
    first = 0 if given else 30
    assert 60 - first <= study["signal_index"] < 90 - first
    assert abs(study["change_began_index"] - 60 + first) <= 12
    assert study["detectable"]["sigma"] == 1.0
    assert study["detectable"]["within"] > 15
    assert len(study["assumes"]) == 3
    assert study["slope_low"] <= -0.5 <= study["slope_high"]
    assert study["slope_low"] <= study["slope_per_sample"] <= study["slope_high"]


def test_no_drift_is_null(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = column(tmp_path, np.random.default_rng(2).standard_normal(60).tolist())
    options = ["--in-control-run-length", "100000", "--json"]
    assert run(["study", "drift", str(path), *options]) == 0
    study = json.loads(capsys.readouterr().out)
    assert list(study) == KEYS
    assert [study[key] for key in KEYS[:5]] == [None] * 5
    assert run(["study", "drift", str(path), *options[:-1]]) == 0
    shown = capsys.readouterr().out.split("\n")
    assert any(line.split() == ["signal", "none"] for line in shown)


@pytest.mark.parametrize("ending", [".svg", ".png"])
def test_a_plot_is_written(
    falling: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], ending: str
) -> None:
    target = tmp_path / f"drift{ending}"
    assert run(["study", "drift", str(falling), "--plot", str(target)]) == 0
    assert "change began at" in capsys.readouterr().out
    start = target.read_bytes()[:400]
    assert (b"<svg" in start) if ending == ".svg" else start.startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("values", "options", "says"),
    [
        ([1.0], [], "too few"),
        ([4.0] * 31, [], "equal"),
        ([4.0] * 31, ["--baseline", "9"], "at least 10"),
        ([1.0, 2.0], ["--center", "1"], "both or neither"),
        ([1.0, 2.0], ["--center", "1", "--sigma", "-1"], "positive"),
        (
            [1.0, 2.0],
            ["--center", "1", "--sigma", "1", "--in-control-run-length", "1"],
            "at least 50",
        ),
        ([1.0, 2.0], ["--center", "1", "--sigma", "nan"], "positive"),
        ([1.0, 2.0], ["--center", "1", "--sigma", "1", "--plot", "x.txt"], "no figure file"),
        ([1.0, float("nan")], ["--center", "1", "--sigma", "1"], "not a number"),
    ],
)
def test_bad_input_is_one_sentence(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    values: list[float],
    options: list[str],
    says: str,
) -> None:
    assert run(["study", "drift", str(column(tmp_path, values)), *options]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert says in printed.err
