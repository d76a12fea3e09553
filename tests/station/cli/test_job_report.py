from pathlib import Path

import pytest

from station.cli.main import run
from tests.station.cli.test_validations import began, path, samples

__all__ = ["path"]


def test_paper_is_written(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_id = began(path, capsys)
    samples(path, job_id, [60.0])
    out = tmp_path / "paper.html"
    command = ["job", "report", job_id, "--out", str(out), "--ledger", str(path)]
    assert run([*command, "--paper", "letter"]) == 0
    text = out.read_text(encoding="utf-8")
    assert "Refused" in text
    assert "size:letter" in text


def test_unknown_job_exits_2_and_writes_nothing(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "paper.html"
    assert run(["job", "report", "nothing", "--out", str(out), "--ledger", str(path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not out.exists()
