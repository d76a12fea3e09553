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
from scipy.special import gammaln

MIN_BASELINE = 10


@dataclass(frozen=True, slots=True)
class Baseline:
    """Centre and deviation of one characteristic of one joint, from ``n`` samples."""

    n: int
    center: float
    sigma: float

    def score(self, value: float) -> float:
        """Standard score of a value."""
        return (value - self.center) / self.sigma


def baseline_of(values: Sequence[float]) -> Baseline:
    """Baseline of a characteristic: mean and unbiased standard deviation.

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
    sigma = float(np.std(data, ddof=1)) / c4(data.size)
    if sigma == 0.0:
        raise ValueError("all baseline samples are equal: the spread cannot be known")
    return Baseline(int(data.size), float(np.mean(data)), sigma)


def c4(n: int) -> float:
    """Expected sample standard deviation over the true one, for ``n`` normal values."""
    log_ratio = float(gammaln(n / 2.0) - gammaln((n - 1) / 2.0))
    return math.sqrt(2.0 / (n - 1)) * math.exp(log_ratio)
