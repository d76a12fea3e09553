from datetime import UTC, datetime
from pathlib import Path

import pytest

from station.cli.main import run
from station.jobs.validation.record import begin as begin_validation
from station.jobs.validation.record import order as order_for
from station.jobs.validation.record import read as read_validation
from station.jobs.validation.steps import ValidationScope
from station.ledger.store import Ledger
from station.simulation.demo import demo_limit_sets
from tests.station.jobs.invented_samples import JOINT
from tests.station.jobs.recorded import check_instruments, people_and_tools, take
from tests.station.jobs.test_longer_job_interruptions import SHORT_VALIDATION

SCOPE = ValidationScope("Egret", (JOINT,), "tern-lane-shop", 1.645)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "bench.ledger"
    with Ledger.open(path) as ledger:
        people_and_tools(ledger)
        check_instruments(ledger)
    return path


def with_a_weak_sample(path: Path) -> str:
    with Ledger.open(path, create=False) as ledger:
        job_id = begin_validation(ledger, SHORT_VALIDATION, SCOPE, demo_limit_sets(), person="Ben")
        job = read_validation(ledger.reader, job_id)
        take(ledger, order_for(ledger, job, None, person="Ben", now=datetime.now(UTC)), 60.0)
    return job_id


def test_paper_is_written(path: Path, tmp_path: Path) -> None:
    job_id = with_a_weak_sample(path)
    out = tmp_path / "paper.html"
    command = ["job", "report", job_id, "--out", str(out), "--ledger", str(path)]
    assert run([*command, "--paper", "letter"]) == 0
    text = out.read_text(encoding="utf-8")
    assert "Refused" in text
    assert "size:letter" in text


def test_its_samples_are_made_on_the_page(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = with_a_weak_sample(path)
    assert run(["job", "sample", job_id, "--person", "Ben", "--ledger", str(path)]) == 2
    assert capsys.readouterr().err == "A tool validation is done on the page: open Jobs there.\n"


def test_unknown_job_exits_2_and_writes_nothing(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "paper.html"
    assert run(["job", "report", "nothing", "--out", str(out), "--ledger", str(path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not out.exists()
