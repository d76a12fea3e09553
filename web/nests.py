"""How each nest stands: its trend since the last service, its last sample, whether it is due."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from station.ledger.entries import BaselineSet
from station.ledger.queries import LedgerReader, SampleRow
from station.trends import NestTrend, nest_trend

SPARK_SAMPLES = 40
SPARK_WIDTH, SPARK_HEIGHT = 160.0, 36.0
SPARK_SCORE = 4.0
"""Scores beyond this many deviations lie on the edge of the small curve."""

State = Literal["steady", "worn", "unknown"]


@dataclass(frozen=True)
class NestStatus:
    """A nest on one line.

    Attributes
    ----------
    last
        The latest sample, of any verdict; None where there is none.
    done_today
        True where a sample that is not void was finished today.
    """

    trend: NestTrend
    last: SampleRow | None
    done_today: bool

    @property
    def state(self) -> State:
        """``worn``, ``steady``, or ``unknown`` where there is no baseline to judge by."""
        if self.trend.flagged:
            return "worn"
        return "steady" if self.trend.has_baseline else "unknown"

    @property
    def spark(self) -> str:
        """Points of a small curve of the latest scores; empty where there are fewer than two."""
        force, resistance = self.trend.force_distances, self.trend.resistance_distances
        use_force = sum(score is not None for score in force) >= 2
        scores = [score for score in (force if use_force else resistance) if score is not None]
        return spark_points(scores[-SPARK_SAMPLES:])


def spark_points(scores: list[float]) -> str:
    """Points of an SVG polyline through scores, zero in the middle; empty below two scores."""
    if len(scores) < 2:
        return ""
    step = SPARK_WIDTH / (len(scores) - 1)
    held = [min(max(score, -SPARK_SCORE), SPARK_SCORE) for score in scores]
    heights = [SPARK_HEIGHT / 2.0 * (1.0 - score / SPARK_SCORE) for score in held]
    return " ".join(f"{place * step:.1f},{height:.1f}" for place, height in enumerate(heights))


def nest_status(
    reader: LedgerReader,
    tool: str,
    nest: str,
    baselines: dict[str, BaselineSet],
    *,
    run_length: float,
    today: datetime,
) -> NestStatus:
    """Read how one nest stands.

    Parameters
    ----------
    run_length
        In-control run length of the wear watch, in samples.
    today
        When today began.
    """
    samples = reader.nest_samples(tool, nest)
    services = reader.services(tool, nest)
    trend = nest_trend(
        tool,
        nest,
        samples,
        baselines,
        run_length=run_length,
        since_seq=services[-1].seq if services else 0,
    )
    done = any(row.verdict not in (None, "void") and row.at_utc >= today for row in samples)
    return NestStatus(trend, samples[-1] if samples else None, done)


def all_nests(reader: LedgerReader) -> list[tuple[str, str]]:
    """Every nest of every tool on record, by name."""
    return [(row.tool, nest) for row in reader.tools() for nest in row.nests]


def nest_statuses(reader: LedgerReader, *, run_length: float, today: datetime) -> list[NestStatus]:
    """Read how every nest stands: the worn ones first, then those without a baseline."""
    baselines = reader.baselines()
    statuses = [
        nest_status(reader, tool, nest, baselines, run_length=run_length, today=today)
        for tool, nest in all_nests(reader)
    ]
    return sorted(statuses, key=lambda status: ("worn", "unknown", "steady").index(status.state))


def samples_since(reader: LedgerReader, start: datetime) -> Iterable[SampleRow]:
    """Yield the samples since a moment, newest first, a page at a time."""
    before_seq: int | None = None
    while rows := reader.samples(limit=200, before_seq=before_seq):
        recent = [row for row in rows if row.at_utc >= start]
        yield from recent
        if len(recent) < len(rows):
            return
        before_seq = rows[-1].begun_seq
