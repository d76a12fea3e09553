"""A nest's samples as what was measured: newtons and milliohms by their limits, newest last.

Drawn with the page itself, so that it is there at once and its text is as large as the page's.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from calibration.saying import say
from station.ledger.rows import SampleRow
from station.shop.trend import NestTrend

SHOWN = 60
"""Points in one drawing: on a phone each has five pixels."""

FEWEST = 20
"""Fewer points stand no farther apart than this many would."""

WIDTH, HEIGHT = 360.0, 150.0
LEFT, RIGHT, TOP, FOOT = 46.0, 352.0, 22.0, 140.0
TICKS = 3


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
    change
        Where the change began, by the wear watch; None where that is not in the drawing.
    """

    name: str
    unit: str
    points: tuple[Point, ...]
    ticks: tuple[tuple[float, float], ...]
    limit: tuple[float, float] | None
    change: float | None


def drawings(trend: NestTrend, joint_key: str, limit_ohm: float | None) -> list[Drawing]:
    """Force and resistance of a joint's latest samples; one that nobody measured is left out."""
    rows = [row for row in trend.samples if row.joint_key == joint_key][-SHOWN:]
    limits = [row.pull_limit_n for row in rows if row.pull_limit_n]
    force = [(row.peak_n, row) for row in rows]
    ohm = [(None if row.splice_ohm is None else 1e3 * row.splice_ohm, row) for row in rows]
    milliohm = None if limit_ohm is None else 1e3 * limit_ohm
    change = _change_began(trend, rows)
    found = (
        _drawing(say("Pull force"), "N", force, limits[-1] if limits else None, change),
        _drawing(say("Resistance"), "mΩ", ohm, milliohm, change),
    )
    return [one for one in found if one is not None]


def _change_began(trend: NestTrend, rows: Sequence[SampleRow]) -> int | None:
    """The place of the first of these samples that was made after the change began."""
    if trend.change_began is None:
        return None
    return next((at for at, row in enumerate(rows) if row.at_utc >= trend.change_began), None)


def _drawing(
    name: str,
    unit: str,
    measured: Sequence[tuple[float | None, SampleRow]],
    limit: float | None,
    change: int | None,
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
    ticks = tuple((height(value), value) for value in round_values(low, high))
    return Drawing(
        name, unit, points, ticks,
        None if limit is None else (height(limit), limit),
        None if change is None else across(change - 0.5),
    )  # fmt: skip


def round_values(low: float, high: float) -> list[float]:
    """Round values between two, about `TICKS` of them: steps of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [round(step * count, 9) for count in range(first, last + 1)]
