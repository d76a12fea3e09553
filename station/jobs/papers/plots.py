"""Small figures as SVG: values against a limit, and a curve over attempts.

Plain presentation attributes only, so that the same text may stand in a paper and on a page whose
policy forbids inline styles. Marks differ by shape as well as by colour.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from station.jobs.papers.frame import templates

LEFT, RIGHT, TOP, BOTTOM = 16.0, 624.0, 34.0, 150.0
"""Where values are drawn; ``plots.html`` draws all else around."""

NAME_ROOM = 90.0
"""Half the width of a name under a point."""

LINE, ALARM = "#2b7fc4", "#d3492a"


@dataclass(frozen=True, slots=True)
class Level:
    """A line across the values: a limit, a bound, a mean."""

    value: float
    words: str
    alarm: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One group of values with its name."""

    name: str
    values: Sequence[float]


def strip_plot(title: str, unit: str, rows: Sequence[Row], levels: Sequence[Level]) -> Markup:
    """Every value as a dot, one row per group, with lines for limits and bounds.

    Parameters
    ----------
    unit
        Written at the scale; values and levels are in it.
    """
    everything = [value for row in rows for value in row.values] + [one.value for one in levels]
    if not everything:
        return Markup("")
    low, high = _span(everything)
    ticks = [low + (high - low) * part / 4.0 for part in range(5)]
    return _drawn("strip", title, unit, rows, levels, _scale(low, high, LEFT, RIGHT), ticks)


def curve(
    title: str, unit: str, points: Sequence[tuple[str, float]], demanded: Level | None
) -> Markup:
    """Values over attempts, in order, with what is demanded."""
    if not points:
        return Markup("")
    values = [value for _, value in points] + ([demanded.value] if demanded else [])
    # Names stand under the middle of their points: the outer ones need room.
    last, inner = len(points) - 1, RIGHT - LEFT - 2.0 * NAME_ROOM
    placed = [
        (LEFT + NAME_ROOM + inner * (place / last if last else 0.5), value, name)
        for place, (name, value) in enumerate(points)
    ]
    return _drawn("curve", title, unit, placed, demanded, _scale(*_span(values), BOTTOM, TOP))


def _drawn(what: str, *given: object) -> Markup:
    template = templates().get_template("plots.html")
    drawing = template.make_module({"line": LINE, "alarm": ALARM})
    drawn: Markup = getattr(drawing, what)(*given)
    return drawn


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    return lambda value: start + (end - start) * (value - low) / (high - low)
