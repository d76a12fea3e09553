"""Making samples of different joints comparable: standard scores against a joint's baseline.

A crimp in 22 AWG and one in 16 AWG share a nest but neither force nor resistance. Against the
baseline of its own joint each becomes a score with mean 0 and deviation 1 while the nest is good,
so one chart per nest can use every sample. Pull counts as force over its limit, resistance as its
natural logarithm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtr

MIN_BASELINE = 10
"""Fewer samples than this are no baseline: a spread from them is off by a quarter and more."""

_SMALLEST = 1e-300


@dataclass(frozen=True, slots=True)
class Baseline:
    """Mean and sample standard deviation (divisor n - 1) of one characteristic of one joint."""

    n: int
    center: float
    sigma: float

    def score(self, value: float) -> float:
        """Standard score of a value that is not part of the baseline, its uncertainty allowed for.

        The normal quantile of Student's t with ``n - 1`` degrees of freedom of the distance over
        ``sigma * sqrt(1 + 1/n)``; limited to about 37 by the range of a double.
        """
        t = (value - self.center) / (self.sigma * math.sqrt(1.0 + 1.0 / self.n))
        tail = max(float(stdtr(self.n - 1, -abs(t))), _SMALLEST)
        return math.copysign(-float(ndtri(tail)), t)

    def distance(self, value: float) -> float:
        """Distance from the centre in deviations, the baseline taken as exact."""
        return (value - self.center) / self.sigma


def baseline_of(values: Sequence[float]) -> Baseline:
    """Baseline of a characteristic: mean and sample standard deviation of all its values.

    No value is dropped here, since scores against a trimmed baseline would be false.

    Raises
    ------
    ValueError
        Fewer than :data:`MIN_BASELINE` values, values that are not finite, or no spread at all.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.size < MIN_BASELINE:
        raise ValueError(f"a baseline needs at least {MIN_BASELINE} samples, not {data.size}")
    if not np.all(np.isfinite(data)):
        raise ValueError("a baseline value is not a finite number")
    if np.ptp(data) == 0.0:
        raise ValueError("all baseline samples are equal: the spread cannot be known")
    return Baseline(int(data.size), float(np.mean(data)), float(np.std(data, ddof=1)))
