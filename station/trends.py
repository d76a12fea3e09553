"""From a nest's samples to its trend: scores, the wear watch, a plain sentence."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from station.ledger.entries import BaselineSet
from station.ledger.queries import SampleRow
from station.statistics.pooling import Baseline
from station.statistics.wear_watch import NestWatch, watch_nest

MIN_SPLICE_OHM = 1e-6
"""Below a microohm a splice's logarithm says more about the meter than about the crimp."""


@dataclass(frozen=True, slots=True)
class NestTrend:
    """Trend of one nest since its last service.

    Attributes
    ----------
    samples
        Finished samples in time order, voids left out.
    force_scores, resistance_scores
        One per sample; None where there is no value or no baseline for its joint.
    watch
        The wear watch over those scores.
    """

    tool: str
    nest: str
    samples: tuple[SampleRow, ...]
    force_scores: tuple[float | None, ...]
    resistance_scores: tuple[float | None, ...]
    watch: NestWatch

    @property
    def flagged(self) -> bool:
        """True where the wear watch says that this nest has changed for the worse."""
        return self.watch.flag is not None

    @property
    def has_baseline(self) -> bool:
        """True where at least one sample could be scored."""
        return any(score is not None for score in self.force_scores + self.resistance_scores)

    @property
    def sentence(self) -> str:
        """The state of the nest in one line."""
        flag = self.watch.flag
        if flag is None:
            if not self.has_baseline:
                return "No baseline yet: validate the tool before its trend can be judged."
            return "Steady: no change since its baseline."
        began = self.samples[flag.change_began_position]
        what = "pull force fell" if flag.characteristic == "force" else "resistance rose"
        return (
            f"Worn: {what}, beginning about {began.at_utc:%Y-%m-%d}. "
            "Take the tool out of use, look at the nest, and re-check its last samples."
        )


def nest_trend(
    tool: str,
    nest: str,
    samples: Sequence[SampleRow],
    baselines: Mapping[str, BaselineSet],
    *,
    run_length: float,
    since_seq: int = 0,
) -> NestTrend:
    """Trend of a nest.

    Parameters
    ----------
    samples
        The nest's samples in time order; void, unfinished, ``tool_validation`` and those up to
        ``since_seq`` (the last service) are left out. Validation samples set the baseline and
        cannot be tested against it.
    baselines
        By joint key.
    run_length
        In-control run length of the wear watch.
    """
    kept = tuple(
        row
        for row in samples
        if row.verdict in ("pass", "fail", "undecided")
        and row.job != "tool_validation"
        and row.begun_seq > since_seq
    )
    force = tuple(force_score(row, baselines.get(row.joint_key)) for row in kept)
    resistance = tuple(resistance_score(row, baselines.get(row.joint_key)) for row in kept)
    watch = watch_nest(force, resistance, run_length=run_length)
    return NestTrend(tool, nest, kept, force, resistance, watch)


def force_score(row: SampleRow, baseline: BaselineSet | None) -> float | None:
    """Standard score of a sample's pull, as force over limit; None where it has none."""
    if baseline is None or row.peak_n is None or not row.pull_limit_n:
        return None
    known = Baseline(baseline.n, baseline.force_ratio_center, baseline.force_ratio_sigma)
    return known.score(row.peak_n / row.pull_limit_n)


def resistance_score(row: SampleRow, baseline: BaselineSet | None) -> float | None:
    """Standard score of a sample's resistance, as its logarithm; None where it has none."""
    if baseline is None or row.splice_ohm is None:
        return None
    known = Baseline(baseline.n, baseline.log_resistance_center, baseline.log_resistance_sigma)
    return known.score(math.log(max(row.splice_ohm, MIN_SPLICE_OHM)))
