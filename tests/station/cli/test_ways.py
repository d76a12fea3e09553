import json
from pathlib import Path

import pytest
from scipy import stats

from station.cli.main import run
from station.jobs.sample_order import SampleOrder
from station.ledger.store import Ledger
from tests.station.jobs.invented_samples import JOINT
from tests.station.jobs.recorded import people_and_tools, take

GOOD = [140.0, 146.0, 151.0, 138.0, 149.0, 143.0]
NICKED = [101.0, 92.0, 118.0, 110.0, 95.0]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.ledger"
    with Ledger.open(path) as ledger:
        people_and_tools(ledger)
        for label, forces in (("good strip", GOOD), ("nicked", NICKED)):
            order = SampleOrder("Ben", "comparison", JOINT, "tern-lane-shop", step=label)
            for place, force in enumerate(forces):
                take(ledger, order, force, (2.5 + 0.01 * place) * 1e-4)
    return path


def compared(path: Path, *arguments: str) -> list[str]:
    return ["job", "compare", *arguments, "--ledger", str(path)]


def test_difference_agrees_with_the_reference_library(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(compared(path, "good strip", "nicked", "--json")) == 0
    found = json.loads(capsys.readouterr().out)
    # Welch's t as scipy.stats has it.
    welch = stats.ttest_ind(GOOD, NICKED, equal_var=False)
    interval = welch.confidence_interval(0.95)
    assert found["difference_p"] == pytest.approx(welch.pvalue)
    assert found["difference_low"] == pytest.approx(interval.low)
    assert found["difference_high"] == pytest.approx(interval.high)
    assert found["better_group"] == "good strip"
    assert found["unit"] == "N"
    assert found["doubts"] == []


def test_picture_and_words(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "ways.svg"
    assert run(compared(path, "good strip", "nicked", "--plot", str(picture))) == 0
    assert "good strip is better than nicked" in capsys.readouterr().out
    assert "<svg" in picture.read_text(encoding="utf-8")


@pytest.mark.parametrize("pair", [("good strip", "none"), ("", "nicked"), ("beauty=1", "nicked")])
def test_bad_ways_exit_2(
    pair: tuple[str, str], path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(compared(path, *pair)) == 2
    assert capsys.readouterr().err.count("\n") == 1
