"""The wear watch: is this nest still what it was when its tool was validated?

Each sample of a nest brings up to two standard scores, force (bad is down) and resistance (bad is
up). One mixture of cumulative sums watches both, for a change of either or of both together; while
only one of them has ever been measured, a mixture for that one alone is used. Where a single
sample lacks one of them, the sums take what the other says.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.statistics.mixture import Mixture
from station.statistics.wear_mixtures import ONE_WAY, PAIR

DEFAULT_RUN_LENGTH = 5_000
"""One false alarm in about so many samples of a nest."""

Characteristic = Literal["force", "resistance", "both"]


@dataclass(frozen=True, slots=True)
class WearFlag:
    """A nest has changed.

    Attributes
    ----------
    characteristic
        What changed, by the sums that weigh most at the signal.
    signal_position
        Position, among the nest's samples, of the one that signalled.
    """

    characteristic: Characteristic
    signal_position: int


@dataclass(frozen=True, slots=True)
class NestWatch:
    """State of the wear watch of one nest.

    Attributes
    ----------
    margin
        Shape (n,): evidence of wear less its threshold, in nats; above zero is a signal.
    flag
        The first signal; None while there is none.
    """

    margin: NDArray[np.float64]
    flag: WearFlag | None


@dataclass(frozen=True, slots=True)
class SeriesWatch:
    """A mixture run over one characteristic: evidence per sample, threshold, first signal."""

    evidence: NDArray[np.float64]
    threshold: float
    signal_index: int | None


def watch_nest(
    force_scores: Sequence[float | None],
    resistance_scores: Sequence[float | None],
    *,
    run_length: float = DEFAULT_RUN_LENGTH,
) -> NestWatch:
    """Run the wear watch over the samples of one nest since its last service.

    Parameters
    ----------
    force_scores, resistance_scores
        In time order, one per sample; None where it was not measured, void, or has no baseline.
    run_length
        In-control run length, in samples: one false alarm in about so many.

    Raises
    ------
    ValueError
        The run length lies outside the range for which thresholds are known.
    """
    bad = np.column_stack([-_numbers(force_scores), _numbers(resistance_scores)])
    sums = PAIR.sums(bad)
    margin = PAIR.evidence(sums) - PAIR.threshold(run_length)
    known = np.isfinite(bad)
    seen = np.logical_or.accumulate(known, axis=0)
    for place in (0, 1):
        alone = seen[:, place] & ~seen[:, 1 - place]
        single = watch_series(bad[alone, place], ONE_WAY, run_length=run_length)
        margin[alone] = single.evidence - single.threshold
    margin[~known.any(axis=1)] = -np.inf
    signal = _first(margin > 0.0)
    flag = None if signal is None else WearFlag(_what(sums[signal], seen[signal]), signal)
    return NestWatch(margin, flag)


def watch_series(
    scores: Sequence[float] | NDArray[np.float64], mixture: Mixture, *, run_length: float
) -> SeriesWatch:
    """Run a mixture over the scores of one characteristic, shape (n,); NaN where one is missing."""
    threshold = mixture.threshold(run_length)
    evidence = mixture.evidence(mixture.sums(np.asarray(scores, dtype=np.float64)[:, None]))
    return SeriesWatch(evidence, threshold, _first(evidence > threshold))


def _numbers(scores: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if score is None else score for score in scores], dtype=np.float64)


def _first(hits: NDArray[np.bool_]) -> int | None:
    return int(np.argmax(hits)) if hits.any() else None


def _what(sums: NDArray[np.float64], seen: NDArray[np.bool_]) -> Characteristic:
    if not seen.all():
        return "force" if seen[0] else "resistance"
    weight: dict[Characteristic, float] = {"force": 0.0, "resistance": 0.0, "both": 0.0}
    for direction, share, total in zip(PAIR.directions, PAIR.weights, sums, strict=True):
        name: Characteristic = (
            "both" if all(direction) else "force" if direction[0] else "resistance"
        )
        weight[name] += share * float(np.exp(total))
    return max(weight, key=lambda name: weight[name])
