"""A nest's samples drawn as what was measured."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.trend import NestTrend
from station.shop.trend_cache import TrendCache
from web.trend import (
    FOOT,
    LEFT,
    RIGHT,
    SHOWN,
    TICKS,
    TOP,
    Mark,
    drawings,
    marks_of,
    round_values,
)

LIMIT_OHM = 1.2e-3


def red(ledger: Ledger, records: LedgerReader) -> NestTrend:
    book = TrendCache(ledger.path, run_length=1_000_000)
    return next(one.trend for one in book.glances(records) if one.trend.nest == "red")


def test_force_and_resistance_stand_by_their_limits(ledger: Ledger, records: LedgerReader) -> None:
    trend = red(ledger, records)
    key = trend.samples[-1].joint_key
    force, ohm = drawings(trend, key, LIMIT_OHM)
    newest = [row for row in trend.samples if row.joint_key == key and row.peak_n is not None][-1]
    assert (force.unit, force.points[-1].value) == ("N", newest.peak_n)
    assert force.limit is not None
    assert force.limit[1] == newest.pull_limit_n
    assert ohm.limit is not None
    assert ohm.limit[1] == 1e3 * LIMIT_OHM
    for one in (force, ohm):
        assert len(one.points) <= SHOWN
        assert all(LEFT < point.x < RIGHT and TOP < point.y < FOOT for point in one.points)
        # More is higher up, also than the limit, and later is farther right.
        heights = sorted([*((p.value, p.y) for p in one.points), (one.limit or (0, 0))[::-1]])
        assert [y for _, y in heights] == sorted((y for _, y in heights), reverse=True)
        assert [p.x for p in one.points] == sorted(p.x for p in one.points)
        assert one.points[-1].x > 0.9 * RIGHT


def test_marks_stand_between_the_samples_before_and_after_them(
    ledger: Ledger, records: LedgerReader
) -> None:
    trend = red(ledger, records)
    key = trend.samples[-1].joint_key
    marks = marks_of(trend, [], [])
    assert [mark.kind for mark in marks] == ["began", "signal"]
    first = Mark("service", trend.samples[0].at_utc)
    last = Mark("baseline", trend.samples[-1].at_utc + timedelta(days=1))
    marks = [first, *marks, last, last]
    [force, _] = drawings(trend, key, None, marks)
    # The first lies before the picture; two at one place share their line.
    assert list(force.marks.values()) == ["2", "3", "4, 5"]
    for mark, x in zip(marks[1:], force.marks, strict=False):
        before = [p.x for p in force.points if p.row.at_utc < mark.at_utc]
        after = [p.x for p in force.points if p.row.at_utc >= mark.at_utc]
        assert max(before) < x < min(after, default=RIGHT + 1.0)


def test_what_nobody_measured_is_not_drawn(ledger: Ledger, records: LedgerReader) -> None:
    assert drawings(red(ledger, records), "no such joint", None) == []


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_ticks_are_round_and_between(low: float, span: float) -> None:
    high = low + span
    if high - low < 1e-9 * max(abs(low), 1.0):
        return
    values = round_values(low, high)
    assert len(values) <= TICKS + 1
    assert all(low - 1e-6 <= value <= high + 1e-6 for value in values)


def test_crimp_heights_are_drawn_in_millimetre_where_there_are_some(
    ledger: Ledger, records: LedgerReader
) -> None:
    trend = red(ledger, records)
    last = trend.points[-1]
    row = replace(last.sample, crimp_height_m=1.34e-3)
    measured = replace(trend, points=(*trend.points[:-1], replace(last, sample=row)))
    height, *others = drawings(measured, row.joint_key, LIMIT_OHM)
    assert (height.name, height.unit, len(height.points)) == ("Crimp height", "mm", 1)
    assert height.points[0].value == pytest.approx(1.34)
    assert len(others) == len(drawings(trend, row.joint_key, LIMIT_OHM))
