"""Has a column of values drifted, since when, and how fast: the wear watch for anyone's numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.statistics.change_point import Change, fit_change
from station.statistics.pooling import MIN_BASELINE, Baseline, baseline_of, pooled_scores
from station.statistics.wear_mixtures import ONE_WAY, TWO_WAY
from station.statistics.wear_watch import watch_series

Direction = Literal["down", "up", "both"]

FARTHEST = 1e9
"""A value more deviations from its centre than this was surely scored by a wrong one."""


@dataclass(frozen=True, slots=True)
class DriftStudy:
    """What the wear watch finds in one column of values; indices count from 0.

    Attributes
    ----------
    baseline
        Centre and deviation that the values were scored by; ``n`` is 0 where both were given.
    signal_index
        First value at which the watch signals; None where it does not.
    change
        The change in deviations; None without a signal.
    detector
        Name of the mixture.
    """

    baseline: Baseline
    signal_index: int | None
    change: Change | None
    detector: str

    @property
    def slopes(self) -> tuple[float, float, float] | None:
        """Change per value in the values' own unit: estimate, low and high; None without one."""
        if self.change is None:
            return None
        unit, change = self.baseline.sigma, self.change
        return change.slope * unit, change.slope_low * unit, change.slope_high * unit


def drift_study(
    values: Sequence[float],
    *,
    center: float | None = None,
    sigma: float | None = None,
    direction: Direction = "both",
    run_length: float = 930.0,
) -> DriftStudy:
    """Run the wear watch over values in time order and, on a signal, fit the change.

    Parameters
    ----------
    center, sigma
        Mean and standard deviation while nothing has changed. Without them the first ten values
        are the baseline and the scores allow for its uncertainty (``pooling``).
    direction
        Which way a change is looked for.
    run_length
        Mean number of values to a false alarm.

    Raises
    ------
    ValueError
        Only one of centre and deviation is given, the deviation is not positive, a value is not
        finite or absurdly far out, or there are too few values for a baseline of their own.
    """
    data = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(data)):
        raise ValueError("a value is not a finite number")
    baseline, first = _baseline(data, center, sigma)
    distances = (data[first:] - baseline.center) / baseline.sigma
    if np.any(np.abs(distances) > FARTHEST):
        raise ValueError(
            "a value lies absurdly far from the centre: check the values, the centre and sigma"
        )
    scores = distances
    if first:
        own = pooled_scores(data[first:].tolist(), ["own"] * distances.size, {"own": baseline})
        scores = np.array(own, dtype=np.float64)
    mixture = TWO_WAY if direction == "both" else ONE_WAY
    watched = -scores if direction == "down" else scores
    signal = watch_series(watched, mixture, run_length=run_length).signal_index
    if signal is None:
        return DriftStudy(baseline, None, None, mixture.name)
    change = fit_change(
        distances,
        np.arange(first, data.size).tolist(),
        baseline_sizes=[baseline.n or math.inf],
        latest=first + signal,
    )
    return DriftStudy(baseline, first + signal, change, mixture.name)


def _baseline(
    data: NDArray[np.float64], center: float | None, sigma: float | None
) -> tuple[Baseline, int]:
    """The baseline, and how many values at the start are part of it."""
    if (center is None) != (sigma is None):
        raise ValueError("the centre and sigma belong together: give both or neither")
    if center is not None and sigma is not None:
        if not (math.isfinite(center) and math.isfinite(sigma) and sigma > 0.0):
            raise ValueError("the centre must be a number and sigma a positive one")
        return Baseline(0, center, sigma), 0
    if data.size <= MIN_BASELINE:
        raise ValueError(
            f"{data.size} values are too few: the first {MIN_BASELINE} are the baseline; "
            "give more, or the centre and sigma"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        own = baseline_of(data[:MIN_BASELINE].tolist())
    if not (math.isfinite(own.center) and math.isfinite(own.sigma)):
        raise ValueError("the first values are too large to take a spread from")
    return own, MIN_BASELINE
