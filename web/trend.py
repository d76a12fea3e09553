"""A nest's samples as what was measured: newtons and milliohms by their limits, newest last.

Drawn with the page itself, so that it is there at once and its text is as large as the page's.
"""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from calibration.saying import say
from station.ledger.entry import Entry
from station.ledger.rows import SampleRow, ServiceRow
from station.shop.trend import NestTrend

SHOWN = 60
"""Points in one drawing: on a phone each has five pixels."""

FEWEST = 20
"""Fewer points stand no farther apart than this many would."""

WIDTH, HEIGHT = 360.0, 150.0
LEFT, RIGHT, TOP, FOOT = 46.0, 352.0, 22.0, 140.0
TICKS = 3


MARK_WORDS = {
    "service": say("serviced"),
    "baseline": say("baseline set"),
    "began": say("change began"),
    "signal": say("signal of the wear watch"),
}
"""What is marked among the samples."""


class Mark(NamedTuple):
    """Something that happened to a nest: drawn as a number, told beside the drawing."""

    kind: str
    at_utc: datetime


class Point(NamedTuple):
    """A sample in the drawing."""

    x: float
    y: float
    value: float
    row: SampleRow


class Drawing(NamedTuple):
    """One quantity of a joint; positions in a box of `WIDTH` by `HEIGHT`.

    Attributes
    ----------
    ticks
        Height and value of the round values at the side.
    limit
        Height and value of the limit; None where none is known.
    marks
        Where marks stand, with their numbers, from 1; those before the first sample are left out.
    """

    name: str
    unit: str
    points: tuple[Point, ...]
    ticks: tuple[tuple[float, float], ...]
    limit: tuple[float, float] | None
    marks: dict[float, str]


def marks_of(
    trend: NestTrend, services: Sequence[ServiceRow], baselines: Sequence[Entry]
) -> list[Mark]:
    """What happened to a nest, oldest first: its last service and baseline, change and signal."""
    marks = [Mark("service", row.at_utc) for row in services[-1:]]
    marks += [Mark("baseline", entry.at_utc) for entry in baselines[-1:]]
    if trend.change_began is not None:
        marks.append(Mark("began", trend.change_began))
    signal = -1 if trend.flag is None else trend.flag.signal_position - trend.cut
    if signal >= 0:
        marks.append(Mark("signal", trend.points[signal].sample.at_utc))
    return sorted(marks, key=lambda mark: mark.at_utc)


def drawings(
    trend: NestTrend, joint_key: str, limit_ohm: float | None, marks: Sequence[Mark] = ()
) -> list[Drawing]:
    """Force and resistance of a joint's latest samples; one that nobody measured is left out."""
    rows = [row for row in trend.samples if row.joint_key == joint_key][-SHOWN:]
    limits = [row.pull_limit_n for row in rows if row.pull_limit_n]
    force = [(row.peak_n, row) for row in rows]
    ohm = [(None if row.splice_ohm is None else 1e3 * row.splice_ohm, row) for row in rows]
    milliohm = None if limit_ohm is None else 1e3 * limit_ohm
    # After how many of these samples each mark stands.
    places = [sum(row.at_utc < mark.at_utc for row in rows) for mark in marks]
    high = [(row.crimp_height_m and 1e3 * row.crimp_height_m, row) for row in rows]
    found = (
        _drawing(say("Crimp height"), "mm", high, None, places),
        _drawing(say("Pull force"), "N", force, limits[-1] if limits else None, places),
        _drawing(say("Resistance"), "mΩ", ohm, milliohm, places),
    )
    return [one for one in found if one is not None]


def _drawing(
    name: str,
    unit: str,
    measured: Sequence[tuple[float | None, SampleRow]],
    limit: float | None,
    marks: Sequence[int],
) -> Drawing | None:
    values = [value for value, _ in measured if value is not None]
    if not values:
        return None
    low, high = min([*values, limit or values[0]]), max([*values, limit or values[0]])
    room = 0.08 * ((high - low) or abs(high) or 1.0)
    low, high = low - room, high + room

    def height(value: float) -> float:
        return round(FOOT - (FOOT - TOP) * (value - low) / (high - low), 1)

    def across(place: float) -> float:
        step = (RIGHT - LEFT - 8.0) / max(len(measured), FEWEST)
        return round(RIGHT - 6.0 - step * (len(measured) - 1 - place), 1)

    points = tuple(
        Point(across(place), height(value), value, row)
        for place, (value, row) in enumerate(measured)
        if value is not None
    )
    stand: dict[float, str] = {}
    for number, place in enumerate(marks, start=1):
        if place:
            x = min(across(place - 0.5), RIGHT)
            stand[x] = f"{stand[x]}, {number}" if x in stand else str(number)
    ticks = tuple((height(value), value) for value in round_values(low, high))
    return Drawing(
        name, unit, points, ticks,
        None if limit is None else (height(limit), limit),
        stand,
    )  # fmt: skip


def round_values(low: float, high: float) -> list[float]:
    """Round values between two, about `TICKS` of them: steps of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [round(step * count, 9) for count in range(first, last + 1)]
