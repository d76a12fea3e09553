"""The picture of a gauge study: can this bench tell good from bad at this limit?

Drawn the same way on the page and into a file; the drawing library is handed in with the figure.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from calibration.saying import say
from calibration.study_plan import Turn
from calibration.telling import GUARD, Telling

LINE = "#2b7fc4"
ALARM = "#d3492a"
DOUBT = "#a87900"

MARKERS = ("o", "s", "^", "v", "<", ">", "p", "h", "*", "X")
"""One shape a person: colour alone tells nobody apart."""


@dataclass(frozen=True, slots=True)
class GaugePicture:
    """What is drawn, in the unit that people read.

    Attributes
    ----------
    values, turns
        One of each per measurement.
    gauge_sd, part_sd
        Spread of one measurement, and of the parts.
    telling
        How the spread stands to the limit; None where no limit was named.
    """

    values: Sequence[float]
    turns: Sequence[Turn]
    unit: str
    gauge_sd: float
    part_sd: float
    telling: Telling | None

    @property
    def title(self) -> str:
        """What the picture shows, for those who do not see it."""
        said = f"{len(self.values)} measurements: one spreads by {self.gauge_sd:.3g} {self.unit}"
        return said if self.telling is None else f"{said}. {self.telling.sentence}"


def draw_gauge(figure: Any, picture: GaugePicture, *, ink: str = "black") -> None:
    """Draw the measurements by part, the limit with its blind zone, and both spreads beside it.

    Parameters
    ----------
    figure
        Empty; a ``matplotlib.figure.Figure``.
    ink
        Colour of what carries no meaning by colour.
    """
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(5.0, 1.0))
    groups = sorted({_group(turn) for turn in picture.turns}, key=_natural)
    _measurements(left, picture, groups, ink)
    if picture.telling is not None:
        _limit(left, picture.telling)
        _limit(right, picture.telling, words=False)
    _spreads(right, picture, ink)
    left.set_ylabel(say("value in {unit}", unit=picture.unit) if picture.unit else "value")
    left.set_xlabel("batch or clipping" if picture.turns[0].batch else "part")
    left.margins(y=0.15)


def _group(turn: Turn) -> str:
    return turn.batch or turn.part


def _natural(label: str) -> list[tuple[int, str]]:
    """Sort key that puts P2 before P10."""
    return [
        (int(part), "") if part.isdecimal() else (-1, part)
        for part in re.split(r"([0-9]+)", label)
        if part
    ]


def _measurements(axes: Any, picture: GaugePicture, groups: list[str], ink: str) -> None:
    people = sorted({turn.appraiser for turn in picture.turns})
    step = 0.6 / max(len(people), 1)
    for number, person in enumerate(people):
        chosen = [
            (groups.index(_group(turn)) + (number - (len(people) - 1) / 2) * step, value)
            for turn, value in zip(picture.turns, picture.values, strict=True)
            if turn.appraiser == person
        ]
        axes.plot(
            [place for place, _ in chosen], [value for _, value in chosen],
            MARKERS[number % len(MARKERS)], color=LINE, markersize=4.5, linestyle="none",
            fillstyle="none" if number % 2 else "full", label=person,
        )  # fmt: skip
    for place, group in enumerate(groups):
        of_group = [
            value
            for turn, value in zip(picture.turns, picture.values, strict=True)
            if _group(turn) == group
        ]
        mean = sum(of_group) / len(of_group)
        axes.plot([place - 0.4, place + 0.4], [mean, mean], color=ink, linewidth=1.2)
    shown = groups if len(groups) <= 12 else [""] * len(groups)
    axes.set_xticks(range(len(groups)), [label[:12] for label in shown])
    if len(people) > 1:
        axes.legend(loc="upper left", fontsize=8, framealpha=0.0, ncols=min(len(people), 4))


def _limit(axes: Any, telling: Telling, *, words: bool = True) -> None:
    low, high = (telling.limit + sign * telling.blind_half_width for sign in (-1.0, 1.0))
    axes.axhspan(low, high, color=DOUBT, alpha=0.25, linewidth=0.0)
    axes.axhline(telling.limit, color=ALARM, linestyle="--", linewidth=1.4)
    if words:
        axes.annotate(
            f"limit {telling.limit:.5g}; shaded: one measurement decides nothing",
            (1.0, telling.limit), xycoords=("axes fraction", "data"), xytext=(-4, 4),
            textcoords="offset points", horizontalalignment="right", fontsize=8,
        )  # fmt: skip


def _spreads(axes: Any, picture: GaugePicture, ink: str) -> None:
    mean = sum(picture.values) / len(picture.values)
    bars = (("gauge", picture.gauge_sd, LINE), ("parts", picture.part_sd, ink))
    for place, (_, spread, color) in enumerate(bars):
        axes.errorbar([place], [mean], yerr=[GUARD * spread], color=color, capsize=6, linewidth=2.5)
    axes.set_xticks(range(len(bars)), [name for name, _, _ in bars])
    axes.set_xlim(-0.7, 1.7)
    axes.set_title("90 % lie within", fontsize=8)
