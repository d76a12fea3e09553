"""Mixtures of cumulative sums: one chart that finds small and large changes in several directions.

Each member of a mixture is a cumulative sum of the log likelihood ratio of one change (a direction
and a size in standard deviations) against none; it never falls below zero (Page 1954). The evidence
is the logarithm of the weighted mean of their exponentials, in nats. One threshold on it sets how
often a process that has not changed is flagged.

The sums start where they stand on average while nothing has changed, not at zero. A change at the
first sample is still the slowest to be found (``tests/benchmarks/detection.py`` prints both).
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Values = NDArray[np.float64]

SCORE_CAP = 4.0
"""No score counts for more than this either way: one odd sample is not yet a change."""

_SPITZER_TERMS = 20_000


@dataclass(frozen=True)
class Mixture:
    """Cumulative sums and their weights, with the run lengths that thresholds give.

    Attributes
    ----------
    name
        Short name, for results.
    directions
        Unit vectors, one per member, each with one part per characteristic.
    shifts
        Size of each member's change, in standard deviations along its direction.
    weights
        Positive, summing to one.
    thresholds, run_lengths
        Rising; ``run_lengths[i]`` is the mean number of samples to a false alarm at
        ``thresholds[i]``, by simulation (``tests/benchmarks/wear_watch_tables.py``).
    """

    name: str
    directions: tuple[tuple[float, ...], ...]
    shifts: tuple[float, ...]
    weights: tuple[float, ...]
    thresholds: tuple[float, ...] = ()
    run_lengths: tuple[float, ...] = ()

    @cached_property
    def means(self) -> Values:
        """Shape (members, characteristics): the mean of the scores under each member's change."""
        return np.asarray(np.asarray(self.shifts)[:, None] * np.asarray(self.directions))

    @cached_property
    def resting(self) -> Values:
        """Shape (members,): mean of each sum while nothing has changed."""
        return np.array([resting_mean(shift) for shift in self.shifts])

    def threshold(self, run_length: float) -> float:
        """Threshold at which a false alarm comes once in ``run_length`` samples on average.

        Raises
        ------
        ValueError
            The run length lies outside the table.
        """
        low, high = self.run_lengths[0], self.run_lengths[-1]
        if not low <= run_length <= high:
            raise ValueError(
                f"the in-control run length must be {math.ceil(low)} to {math.floor(high)} "
                f"samples, not {run_length:g}"
            )
        return float(np.interp(math.log(run_length), np.log(self.run_lengths), self.thresholds))

    def steps(self, scores: ArrayLike) -> Values:
        """What each sample adds to each sum: a log likelihood ratio, in nats.

        Parameters
        ----------
        scores
            Shape (..., characteristics), bad directions up; NaN where a score is missing, which
            leaves the likelihood of the others.
        """
        z = np.clip(np.asarray(scores, dtype=np.float64), -SCORE_CAP, SCORE_CAP)
        known = np.isfinite(z)
        step: Values = np.where(known, z, 0.0) @ self.means.T - known @ (self.means**2).T / 2.0
        return step

    def sums(self, scores: ArrayLike, start: ArrayLike | None = None) -> Values:
        """Course of the sums over samples in time order.

        Parameters
        ----------
        scores
            Shape (n, ..., characteristics); further axes are independent courses.
        start
            Shape (..., members); None starts at rest.

        Returns
        -------
        Shape (n, ..., members).
        """
        walk = np.cumsum(self.steps(scores), axis=0)
        begin = self.resting if start is None else np.asarray(start, dtype=np.float64)
        # Lindley: the sum stands above the lowest point of the walk so far, the start included.
        lowest: Values = np.minimum(np.minimum.accumulate(walk, axis=0), -begin)
        return np.asarray(walk - lowest)

    def evidence(self, sums: Values) -> Values:
        """Shape (...): logarithm of the weighted mean of the exponentials of the sums, in nats."""
        # Far into a change the sums are too large for exp: the largest is taken out first.
        top = sums.max(axis=-1, initial=0.0)
        rest = np.exp(sums - top[..., None]) @ np.asarray(self.weights)
        return np.asarray(top + np.log(rest))


def resting_mean(shift: float) -> float:
    """Mean of a cumulative log likelihood ratio sum while nothing has changed, in nats.

    By Spitzer's identity (1956): the sum over k of E[max(S_k, 0)] / k, where S_k, k steps of the
    walk, is normal with mean -k shift^2 / 2 and variance k shift^2.

    Raises
    ------
    ValueError
        The shift is below 0.1, where more terms would be needed.
    """
    if shift < 0.1:
        raise ValueError(f"the shift must be at least 0.1 standard deviations, not {shift}")
    k = np.arange(1, _SPITZER_TERMS + 1)
    deviation = shift * np.sqrt(k)
    density = np.exp(-(deviation**2) / 8.0) / math.sqrt(2.0 * math.pi)
    positive = deviation * density - deviation**2 / 2.0 * ndtr(-deviation / 2.0)
    return float(np.sum(positive / k))
