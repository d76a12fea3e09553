"""What a lot went into, and the same found in the export by plain tables."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from station.crimp.facts import shipped_book
from station.errors import BadInput
from station.jobs.comparison import values_of, way_from
from station.ledger.chain import Moment
from station.ledger.entries import (
    CodeFor,
    CodesDrawn,
    JobBegun,
    JobEnded,
    KeyOpened,
    LotInUse,
    ReelAdded,
    SampleBegun,
    ToolAdded,
    WorkDone,
)
from station.ledger.export import export_ledger
from station.ledger.store import Ledger
from station.shop.look_back import look_back
from station.shop.lots import Lots, described_lot, known_lots, lots_in_use, lots_of, recall
from station.shop.tools import described_tool
from tests.benchmarks.recall import recalled_from_tables, tables_of
from tests.station.ledger.invented_entries import JOINT

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Make = Callable[..., Any]
START = datetime(2030, 1, 1, 12, tzinfo=UTC)


@pytest.fixture
def make(ledger: Ledger, begun: Make, finished: Make) -> Callable[..., str]:
    def make(day: int, nest: str = "A", reels: tuple[str, ...] = (), **more: Any) -> str:
        change = {"reels": reels, **more}
        at = Moment(START + timedelta(days=day), True, "invented", 0.0)
        first = begun(nest=nest).model_copy(update=change)
        sample_id = ledger.append(first, person="Bo", moment=at).id
        done = finished(sample_id, nest=nest).model_copy(update=change)
        ledger.append(done, person="Bo", moment=at)
        return sample_id

    return make


def worked(ledger: Ledger, day: int, order: str, nest: str = "A") -> None:
    when = (START + timedelta(days=day)).date()
    ledger.append(WorkDone(day=when, work_order=order, tool=JOINT.tool, nest=nest), person="Bo")


def test_a_lot_is_remembered_by_its_connector_until_the_next(ledger: Ledger) -> None:
    book, reader = shipped_book(), ledger.reader
    joint = JOINT.model_copy(update={"connector": "butt-splice-red"})
    form = {"connector": joint.connector, "terminal_lot": " T  1 ", "sleeve_lot": ""}
    ledger.append(described_tool(reader, joint.tool, ["A"], serial="No 7"), person="Ana")
    assert lots_of(reader, joint) == Lots(tool_serial="No 7")
    ledger.append(described_lot(book, form), person="Bo")
    assert lots_of(reader, joint) == Lots("T 1", None, "No 7")
    ledger.append(
        described_lot(book, form | {"terminal_lot": "T2", "sleeve_lot": "S"}), person="Bo"
    )
    assert lots_of(reader, joint) == Lots("T2", "S", "No 7")
    other = joint.model_copy(update={"connector": "another"})
    assert lots_of(reader, other) == Lots(tool_serial="No 7")
    assert list(lots_in_use(reader)) == [joint.connector]
    assert known_lots(reader) == ["No 7", "S", "T 1", "T2"]
    assert recall(reader, "T2").before == (("T 1", joint.connector),)
    with pytest.raises(BadInput):
        described_lot(book, form | {"connector": "no such"})


def test_a_tool_takes_its_number_later_and_keeps_it(ledger: Ledger) -> None:
    reader = ledger.reader
    ledger.append(described_tool(reader, "T9", ["A"]), person="Ana")
    with pytest.raises(BadInput):
        described_tool(reader, "T9", ["A"])
    ledger.append(described_tool(reader, "T9", ["A"], serial="7"), person="Ana")
    assert described_tool(reader, "T9", ["B"]).serial == "7"


def test_work_between_the_samples_that_were_not_of_it_may_have_it(
    ledger: Ledger, make: Callable[..., str]
) -> None:
    make(0, terminal_lot="T1")
    mine = [make(day, terminal_lot="T2") for day in (2, 3)]
    make(5, terminal_lot="T3")
    make(3, nest="B", terminal_lot="T1")
    for day in range(-1, 8):
        worked(ledger, day, f"W{day}")
        worked(ledger, day, f"B{day}", nest="B")
    found = recall(ledger.reader, "T2")
    assert [row.sample_id for row in found.samples] == mine
    assert [row.work_order for row in found.work] == ["W0", "W1", "W2", "W3", "W4", "W5"]
    assert [joint.counts for joint in found.joints] == [{"pass": 2}]
    assert found.joints[0].days == (date(2030, 1, 1), date(2030, 1, 6))
    # Nothing shows when the first came, nor that the last is used up.
    assert "W-1" in {row.work_order for row in recall(ledger.reader, "T1").work}
    assert "W7" in {row.work_order for row in recall(ledger.reader, "T3").work}
    assert recall(ledger.reader, "none").samples == ()


def test_a_reel_is_found_by_its_lot_and_a_tool_by_its_number(
    ledger: Ledger, make: Callable[..., str]
) -> None:
    for reel, lot in (("Drum 1", "L"), ("Drum 2", "L"), ("Drum 3", "M")):
        ledger.append(ReelAdded(reel=reel, size="18 AWG", lot=lot), person="Bo")
    one = make(0, reels=("Drum 1", "Drum 1"), tool_serial="7")
    two = make(1, reels=("Drum 3", "Drum 2"), sleeve_lot="L")
    make(2, reels=("Drum 3", "Drum 3"))
    found = recall(ledger.reader, "L")
    assert found.names == ("L", "Drum 1", "Drum 2")
    assert [row.sample_id for row in found.samples] == [one, two]
    assert [row.sample_id for row in recall(ledger.reader, "7").samples] == [one]
    assert found.samples[1].lots == (("sleeves", "L"), ("reel", "Drum 3"), ("reel", "Drum 2"))
    ways = [way_from("lot=7"), way_from("lot=Drum 3")]
    rows = ledger.reader.samples()
    assert [len(values_of(way, rows, "pull")) for way in ways] == [1, 2]


def test_certificates_are_found_by_codes_once_the_key_is_open(
    ledger: Ledger, make: Callable[..., str]
) -> None:
    ledger.append(ToolAdded(tool=JOINT.tool, description="", nests=("A",)), person="Ana")
    begun = JobBegun.model_validate(
        {"job": "certification", "plan_id": "p", "plan": {}, "scope": {}}
    )
    jobs = [ledger.append(begun, person="Ana").id for _ in range(2)]
    for job_id, code in zip(jobs, ("AB", "CD"), strict=True):
        sealed = CodesDrawn(job_id=job_id, sitting=1, codes={}, commitment="c")
        ledger.append(sealed, person="Ana")
        make(0, job="certification", step=code, terminal_lot="T1")
    assert recall(ledger.reader, "T1").outcomes == ()
    stands = CodeFor(task="t", part="candidate", sitting=1, position=0)
    for job_id, codes in ((jobs[0], {"AB": stands, "EF": stands}), (jobs[1], {"CD": stands})):
        opened = KeyOpened(job_id=job_id, sitting=1, salt="s", codes=codes)
        ledger.append(opened, person="Ana")
    ended = JobEnded(job_id=jobs[0], outcome="certified", reasons=(), record_hash="aa")
    ledger.append(ended, person="Ana")
    ((row, end, count),) = recall(ledger.reader, "T1").outcomes
    assert (row.job_id, end.record_hash, count) == (jobs[0], "aa", 1)
    ((record, samples),) = look_back(ledger.reader, tool=JOINT.tool).outcomes
    assert (record.row.job_id, samples) == (jobs[0], 1)


def test_the_export_gives_the_same_to_plain_tables(
    ledger: Ledger, make: Callable[..., str], tmp_path: Path
) -> None:
    for day in range(12):
        lot, nest = f"T{day // 3 % 3}", "AB"[day % 2]
        make(day, nest=nest, terminal_lot=lot, reels=("Drum 1",) if day > 7 else ())
        worked(ledger, day, f"W{day}", nest=nest)
    out = tmp_path / "export"
    export_ledger(ledger.path, out, now=START, traces="none")
    for lot in ("T0", "T1", "T2", "Drum 1"):
        found = recall(ledger.reader, lot)
        ids, orders = recalled_from_tables(tables_of(out), lot)
        assert [row.sample_id for row in found.samples] == ids
        assert [row.work_order for row in found.work] == orders


def test_an_entry_without_lots_says_none() -> None:
    assert LotInUse(connector="x").terminal_lot is None
    assert SampleBegun(job="service", joint=JOINT).tool_serial is None
