"""How each nest stands: its trend since the last service, and its last sample."""

from collections.abc import Iterable
from typing import NamedTuple

from station.ledger.rows import SampleRow
from station.shop.trend_cache import NestGlance

SPARK_SAMPLES = 40
SPARK_WIDTH, SPARK_HEIGHT = 160.0, 36.0
SPARK_SCORE = 4.0
"""Scores beyond this many deviations lie on the edge of the small curve."""

STATES = ("worn", "strays", "unknown", "steady")
"""Of nests, the most pressing first; ``unknown`` where there is no baseline to judge by."""


class NestRow(NamedTuple):
    """A sample of a nest, and how far it lies from its joint's baseline."""

    sample: SampleRow
    force: float | None = None
    resistance: float | None = None


class NestStatus(NestGlance):
    """A nest on one line."""

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
        """One of `STATES`."""
        if self.trend.flagged:
            return "strays" if self.trend.flag is None else "worn"
        return "steady" if self.trend.has_baseline else "unknown"

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


def nest_status(glance: NestGlance) -> NestStatus:
    """How one nest stands."""
    return NestStatus(glance.trend, glance.last, glance.voids, glance.service)


def nest_statuses(glances: Iterable[NestGlance]) -> list[NestStatus]:
    """How every nest stands: the worn ones first, then strays, then those without a baseline."""
    statuses = map(nest_status, glances)
    return sorted(
        statuses, key=lambda one: (STATES.index(one.state), one.trend.tool, one.trend.nest)
    )
