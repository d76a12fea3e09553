"""Small figures as SVG, written out here: values against a limit, and a curve over attempts.

Plain presentation attributes only, so that the same text may stand in a paper and on a page whose
policy forbids inline styles. Marks differ by shape as well as by colour.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

WIDTH, LEFT, RIGHT = 640.0, 16.0, 624.0
NAME_ROOM = 90.0
"""Half the width of a name under a point."""

Scale = Callable[[float], float]
"""Turns a value into a place."""

LINE, ALARM, INK = "#2b7fc4", "#d3492a", "currentColor"


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

    def x(value: float) -> float:
        return LEFT + (RIGHT - LEFT) * (value - low) / (high - low)

    top = 22.0 + 15.0 * len(levels)
    height = top + 44.0 * len(rows) + 34.0
    parts = [_level(one, x(one.value), 16.0 + 15.0 * place, height - 30.0)
             for place, one in enumerate(levels)]  # fmt: skip
    for place, row in enumerate(rows):
        parts += _dots(row, x, top + 44.0 * place)
    parts.append(_scale(low, high, x, height - 26.0, unit))
    return _svg(title, height, parts)


def _dots(row: Row, x: Scale, top: float) -> list[Markup]:
    """A row of dots; those that would overlap are raised in turn."""
    parts = [_text(LEFT, top + 8.0, f"{row.name} ({len(row.values)})", "start")]
    for place, value in enumerate(sorted(row.values)):
        y = top + 18.0 + 6.0 * (place % 4)
        parts.append(
            Markup('<circle cx="{}" cy="{}" r="3" fill="{}" fill-opacity="0.75"/>').format(
                _n(x(value)), _n(y), LINE
            )
        )
    return parts


def curve(
    title: str, unit: str, points: Sequence[tuple[str, float]], demanded: Level | None
) -> Markup:
    """Values over attempts, in order, with what is demanded."""
    if not points:
        return Markup("")
    values = [value for _, value in points] + ([demanded.value] if demanded else [])
    low, high = _span(values)
    height, bottom, top = 190.0, 150.0, 34.0

    def y(value: float) -> float:
        return bottom - (bottom - top) * (value - low) / (high - low)

    # Names stand under the middle of their points: the outer ones need room.
    last = len(points) - 1
    share = [place / last if last else 0.5 for place in range(len(points))]
    inner = RIGHT - LEFT - 2.0 * NAME_ROOM
    places = [
        (LEFT + NAME_ROOM + inner * at, y(value))
        for at, (_, value) in zip(share, points, strict=True)
    ]
    line = " ".join(f"{_n(at)},{_n(height_)}" for at, height_ in places)
    parts = [
        Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="2"/>').format(
            line, LINE
        )
    ]
    for (at, up), (name, value) in zip(places, points, strict=True):
        parts.append(
            Markup('<circle cx="{}" cy="{}" r="5" fill="{}"/>').format(_n(at), _n(up), LINE)
        )
        parts.append(_text(at, up - 10.0, f"{value:.4g}{unit}", "middle"))
        parts.append(_text(at, height - 14.0, name, "middle"))
    if demanded is not None:
        up = y(demanded.value)
        parts.append(
            Markup('<path d="M{} {}H{}" stroke="{}" stroke-dasharray="6 4" fill="none"/>').format(
                _n(LEFT), _n(up), _n(RIGHT), ALARM
            )
        )
        parts.append(_text(RIGHT, up + 14.0, demanded.words, "end"))
    return _svg(title, height, parts)


def _level(one: Level, at: float, up: float, bottom: float) -> Markup:
    dashes = "6 4" if one.alarm else "2 3"
    color = ALARM if one.alarm else INK
    side = "start" if at < (LEFT + RIGHT) / 2.0 else "end"
    return Markup(
        '<path d="M{} {}V{}" stroke="{}" stroke-width="1.6" stroke-dasharray="{}" fill="none"/>{}'
    ).format(
        _n(at), _n(up + 3.0), _n(bottom), color, dashes,
        _text(at + (4.0 if side == "start" else -4.0), up, one.words, side),
    )  # fmt: skip


def _scale(low: float, high: float, x: Scale, up: float, unit: str) -> Markup:
    ticks = [low + (high - low) * part / 4.0 for part in range(5)]
    parts = [
        Markup('<path d="M{} {}H{}" stroke="{}" fill="none"/>').format(LEFT, _n(up), RIGHT, INK)
    ]
    for place, tick in enumerate(ticks):
        side = ("start", "middle", "middle", "middle", "end")[place]
        words = f"{tick:.4g} {unit}" if place == 4 else f"{tick:.4g}"
        parts.append(_text(x(tick), up + 16.0, words, side))
    return Markup("").join(parts)


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def _text(at: float, up: float, words: str, side: str) -> Markup:
    return Markup(
        '<text x="{}" y="{}" font-size="12" text-anchor="{}" fill="currentColor">{}</text>'
    ).format(_n(at), _n(up), side, words)


def _svg(title: str, height: float, parts: Sequence[Markup]) -> Markup:
    return Markup(
        '<svg class="figure" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" role="img" '
        'aria-label="{}" font-family="system-ui, sans-serif"><title>{}</title>{}</svg>'
    ).format(_n(WIDTH), _n(height), title, title, Markup("").join(parts))


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")
