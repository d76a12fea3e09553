"""A ledger of an older station opens, is sound, exports and shows what it showed then."""

import gzip
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from station.ledger.entries import (
    CodesDrawn,
    KeyShown,
    OutcomeSeen,
    OutcomeSigned,
    SampleLookedAt,
)
from station.ledger.jobs import job_record, jobs
from station.ledger.store import Ledger
from tests.ledgers.shown import what_it_exports, what_it_shows, without_commands

LEDGERS = Path(__file__).parent / "ledgers"


@pytest.fixture
def old_ledger(tmp_path: Path) -> Path:
    copy = tmp_path / "old.ledger"
    copy.write_bytes(gzip.decompress((LEDGERS / "before_the_house.ledger.gz").read_bytes()))
    return copy


@pytest.fixture
def showed() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((LEDGERS / "before_the_house.json").read_text("utf-8"))
    return found


@pytest.fixture(autouse=True)
def in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Days on papers are those of the machine's zone."""
    with monkeypatch.context() as patched:
        patched.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


def test_it_is_sound_and_exports_the_same_bytes(old_ledger: Path, showed: dict[str, Any]) -> None:
    columns = json.loads((LEDGERS / "before_the_house_columns.json").read_text("utf-8"))
    exported = what_it_exports(old_ledger, columns)
    files = exported.pop("files")
    then = dict(showed["export"])
    kinds_of_then = then.pop("files")
    assert exported == then
    assert {name: files.get(name) for name in kinds_of_then} == kinds_of_then


def test_it_shows_what_it_showed(old_ledger: Path, showed: dict[str, Any]) -> None:
    shows = what_it_shows(old_ledger)
    assert list(shows) == list(showed["shows"])
    for job in showed["shows"]["jobs"].values():
        job["paper"] = without_commands(job["paper"])
    for part, then in showed["shows"].items():
        assert shows[part] == then, part


def test_it_holds_what_is_to_be_compared(showed: dict[str, Any]) -> None:
    shows = showed["shows"]
    outcomes = {(job["job"], job["outcome"]) for job in shows["jobs"].values()}
    assert {
        ("daily_check", "released"),
        ("daily_check", "held"),
        ("tool_validation", "accepted"),
        ("certification", "certified"),
    } <= outcomes
    assert {one["verdict"] for one in shows["samples"].values()} >= {"pass", "fail", "void"}
    assert any(trend["signal"] is not None for trend in shows["trends"].values())
    assert shows["studies"]
    assert shows["holds"]
    assert all(job["paper"] for job in shows["jobs"].values())


def test_steps_of_a_certification_read_as_the_kinds_that_they_are_now(old_ledger: Path) -> None:
    with Ledger.open(old_ledger, create=False) as ledger:
        (row,) = jobs(ledger.reader, job="certification")
        record = job_record(ledger.reader, row.job_id)
    (drawn,) = record.steps_of(CodesDrawn)
    looked = [one.code for one in record.steps_of(SampleLookedAt)]
    assert set(looked) <= set(drawn.codes)
    assert len(looked) == 10
    assert [one.to for one in record.steps_of(KeyShown)] == ["Carys"]
    assert [one.outcome for one in record.steps_of(OutcomeSigned)] == ["certified"]
    assert len(record.steps_of(OutcomeSeen)) == 1
