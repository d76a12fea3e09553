"""Trends that are kept stay equal to trends that are worked out anew."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from station.ledger.entries import (
    Correction,
    PersonAdded,
    SampleBegun,
    ToolAdded,
    ToolServiced,
)
from station.ledger.store import Ledger
from station.shop import trend_cache
from station.shop.trend_cache import TrendCache, trend_of
from tests.trends import worked_out
from tests.web.invented import write_history

RUN_LENGTH = 5_000.0
LONG_S = 60.0


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "station.ledger") as opened:
        with opened.transaction():
            write_history(opened)
        yield opened


def agrees(trends: TrendCache, ledger: Ledger) -> bool:
    """Whether every kept trend is what working it out anew gives."""
    found = {(g.trend.tool, g.trend.nest): g.trend for g in trends.glances(ledger.reader)}
    places = [(tool.tool, nest) for tool in ledger.reader.tools() for nest in tool.nests]
    assert set(found) == set(places)
    for place in places:
        fresh = trend_of(ledger.reader, *place, RUN_LENGTH).tail(trend_cache.KEPT)
        kept = found[place]
        if (kept.samples, kept.sentence, kept.cut) != (fresh.samples, fresh.sentence, fresh.cut):
            return False
        if kept.points != fresh.points:
            return False
    return True


def void_one(ledger: Ledger) -> None:
    row = next(row for row in ledger.reader.samples(limit=500) if row.verdict == "pass")
    ledger.append(
        Correction(corrects_id=row.sample_id, reason="wrong nest", void_sample=True), person="Ada"
    )


def begin_one(ledger: Ledger) -> None:
    begun = ledger.reader.entry(ledger.reader.samples(limit=1)[0].sample_id)
    assert begun is not None
    assert isinstance(begun.payload, SampleBegun)
    ledger.append(begun.payload, person="Ada")


def service_one(ledger: Ledger) -> None:
    ledger.append(ToolServiced(tool="Hand tool 1", nest="red", action="new die"), person="Ada")


def add_a_tool(ledger: Ledger) -> None:
    ledger.append(ToolAdded(tool="Hand tool 9", description="new", nests=("red",)), person="Ada")


def add_a_person(ledger: Ledger) -> None:
    ledger.append(PersonAdded(name="Nell", role="apprentice"), person="Ada")


@pytest.mark.parametrize("change", [void_one, begin_one, service_one, add_a_tool, add_a_person])
def test_what_is_kept_follows_the_ledger(ledger: Ledger, change: Callable[[Ledger], None]) -> None:
    trends = TrendCache(ledger.path, RUN_LENGTH)
    assert agrees(trends, ledger)
    before = {id(glance) for glance in trends.glances(ledger.reader)}
    change(ledger)
    assert agrees(trends, ledger)
    # Only the nests that the change touched were worked out anew.
    after = {id(glance) for glance in trends.glances(ledger.reader)}
    assert len(before & after) >= len(before) - 1


def test_a_long_record_is_worked_out_apart(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trend_cache, "AT_ONCE", 0)
    monkeypatch.setattr(trend_cache, "KEPT", 7)
    trends = TrendCache(ledger.path, RUN_LENGTH)
    trends.glances(ledger.reader)
    assert worked_out(LONG_S)
    assert trends.behind == 0
    assert agrees(trends, ledger)
    assert max(glance.trend.cut for glance in trends.glances(ledger.reader)) > 0


def test_a_tail_keeps_what_the_watch_found_in_all_samples(ledger: Ledger) -> None:
    whole = trend_of(ledger.reader, "Hand tool 1", "red", RUN_LENGTH)
    assert whole.flagged
    tail = whole.tail(5)
    assert (tail.count, tail.sentence, tail.report) == (whole.count, whole.sentence, whole.report)
    assert tail.change_began == whole.change_began
    assert tail.samples == whole.samples[-5:]
    assert whole.tail(10_000) == whole


def test_a_record_that_cannot_be_read_is_said(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(trend_cache, "AT_ONCE", 0)
    trends = TrendCache(tmp_path / "gone.ledger", RUN_LENGTH)
    trends.glances(ledger.reader)
    assert worked_out(LONG_S)
    assert "could not be brought up to date" in (trends.trouble or "")
