"""How each nest stands: its trend since the last service, and its last sample."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from calibration.saying import say
from station.ledger.rows import HoldRow, SampleRow
from station.shop.nests import NestKey
from station.shop.trend_cache import NestGlance

SPARK_SAMPLES = 40
SPARK_WIDTH, SPARK_HEIGHT = 160.0, 36.0
SPARK_SCORE = 4.0
"""Scores beyond this many deviations lie on the edge of the small curve."""

STATE_WORDS = {
    "held": say("Held"),
    "worn": say("Worn"),
    "strays": say("Stray weak crimps"),
    "doubt": say("Cannot tell"),
    "steady": say("Steady"),
}
"""Of nests, the most pressing first; ``doubt`` where a worn nest would not be known for one."""


PRESSING = ("held", "worn", "strays")
"""States of a nest that is to be taken out of use."""


class NestRow(NamedTuple):
    """A sample of a nest, and how far it lies from its joint's baseline."""

    sample: SampleRow
    force: float | None = None
    resistance: float | None = None


@dataclass(frozen=True, slots=True)
class NestStatus(NestGlance):
    """A nest on one line."""

    hold: HoldRow | None = None
    """What keeps it out of use; None where it is free."""

    @property
    def key(self) -> NestKey:
        """Tool and nest."""
        return self.trend.tool, self.trend.nest

    @property
    def rows(self) -> list[NestRow]:
        """Samples of the trend and voids among them, oldest first, with their scores."""
        rows = [
            NestRow(point.sample, point.force_distance, point.resistance_distance)
            for point in self.trend.points
        ] + [NestRow(row) for row in self.voids]
        return sorted(rows, key=lambda row: row.sample.begun_seq)

    @property
    def state(self) -> str:
        """One of `STATE_WORDS`: what weighs most, and the same on every page."""
        if self.hold is not None:
            return "held"
        if self.trend.flagged:
            return "strays" if self.trend.flag is None else "worn"
        return "steady" if self.trend.in_sight else "doubt"

    @property
    def reason(self) -> str:
        """Why it is in that state, in a sentence."""
        return self.trend.sentence if self.hold is None else self.hold.reason

    @property
    def spark(self) -> str:
        """Points of a small curve of the latest scores; empty where there are fewer than two."""
        points = self.trend.points
        force = [point.force_distance for point in points]
        resistance = [point.resistance_distance for point in points]
        use_force = sum(score is not None for score in force) >= 2
        scores = [score for score in (force if use_force else resistance) if score is not None]
        return spark_points(scores[-SPARK_SAMPLES:])


def spark_points(scores: list[float]) -> str:
    """Points of an SVG polyline through scores, zero in the middle; empty below two scores.

    Its height is `SPARK_SCORE` each way, or more where a score lies further out: cut off there, the
    line of a worn nest would look as flat as that of a good one.
    """
    if len(scores) < 2:
        return ""
    step = SPARK_WIDTH / (len(scores) - 1)
    farthest = max(SPARK_SCORE, *(abs(score) for score in scores))
    heights = [SPARK_HEIGHT / 2.0 * (1.0 - score / farthest) for score in scores]
    return " ".join(f"{place * step:.1f},{height:.1f}" for place, height in enumerate(heights))


def nest_statuses(glances: Iterable[NestGlance], holds: Iterable[HoldRow]) -> list[NestStatus]:
    """How every nest stands, the most pressing states first.

    Parameters
    ----------
    holds
        Of the nests that are held, oldest first: the first of a nest is the one that is told.
    """
    held: dict[NestKey, HoldRow] = {}
    for hold in holds:
        held.setdefault((hold.tool, hold.nest), hold)
    statuses = [
        NestStatus(one.trend, one.last, one.voids, one.service,
                   held.get((one.trend.tool, one.trend.nest)))
        for one in glances
    ]  # fmt: skip
    order = list(STATE_WORDS)
    return sorted(statuses, key=lambda one: (order.index(one.state), one.key))
