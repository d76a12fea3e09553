"""The stray watch: does a nest make a weak crimp now and then, among good ones?

The wear watch looks for a change of every crimp. A share of strays hides from it, and most checks
miss one bad crimp in twenty. So each sample is asked how much more likely it is if a share of the
crimps is stray, and the products of these ratios since every earlier moment are summed (Shiryaev
1963, Roberts 1966), as in :mod:`station.statistics.wear_watch`.

A sample's score is the normal quantile of Student's t of its distance from all samples of its
joint before it, those of the baseline among them (self-starting: Hawkins 1987). While
nothing is stray the scores are independent and normal, so the promise holds for a baseline of any
size. With share p and score z, of force, of resistance, or of their sum over the root of two, the
ratio is::

    1 - p + p * mean over depths of exp(depth z - depth^2 / 2)

with a mean of at most :data:`MOST`: real crimps have longer tails than normal ones, and one odd
crimp is no share of strays. So the promise is kept with tails as long as those of Student's t with
five degrees of freedom, and more than kept without.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtr

from station.statistics.wear_watch import DEFAULT_RUN_LENGTH, KNOWN, SHARES, Values

STRAY_SHARES = (0.05, 0.1, 0.2)
"""Shares of strays that are asked about, equally likely."""

DEPTHS = (3.0, 5.0)
"""How far strays lie from the good crimps, in deviations, equally likely."""

MOST = 75.0
"""As if one good crimp in a hundred lay beyond three deviations."""

LEVEL = 0.32
"""The level over the run length: below one for what the sum leaps over at the signal. By simulation
(``tests/benchmarks/strays.py``), and so are shares, depths and :data:`MOST`."""

CAP = 3.0
"""A value enters what is known of the good ones as no farther out than this many deviations."""


@dataclass(frozen=True, slots=True)
class StrayFlag:
    """Stray weak crimps among good ones; positions count the nest's samples from 0.

    Attributes
    ----------
    signal_position
        The sample that signalled.
    began
        The first sample of the stretch in which strays are likeliest.
    strays
        Samples from there on that are stray.
    """

    signal_position: int
    began: int
    strays: tuple[int, ...]


def watch_strays(
    worse: Values,
    joints: NDArray[np.intp],
    baseline_sizes: Sequence[float],
    *,
    run_length: float = DEFAULT_RUN_LENGTH,
) -> StrayFlag | None:
    """Run the stray watch over the samples of one nest; parameters as for the wear watch."""
    if not np.isfinite(worse).any():
        return None
    likely = likelihoods(scores(worse, joints, baseline_sizes))
    over = stray_sum(likely) > LEVEL * run_length
    if not over.any():
        return None
    signal = int(np.argmax(over))
    logs = np.log(_mixed(likely).mean(axis=(1, 2)))[: signal + 1]
    # The stretch that says most up to the signal.
    began = int(np.argmax(np.cumsum(logs[::-1])[::-1]))
    found = began + np.flatnonzero(likely[began:].max(axis=1) > 10.0)
    return StrayFlag(signal, began, tuple(found.tolist()))


def scores(worse: Values, joints: NDArray[np.intp], baseline_sizes: Sequence[float]) -> Values:
    """Independent normal scores, shape (n, 2, ...), worse up; NaN where there is no value."""
    found = np.full(worse.shape, np.nan)
    for joint, size in enumerate(baseline_sizes):
        own = np.flatnonzero(joints == joint)
        value = worse[own]
        size = min(float(size), KNOWN)
        seen = np.isfinite(value)
        held = np.where(seen, np.clip(value, -CAP, CAP), 0.0)
        number, total, square = (
            np.cumsum(each, axis=0) - each for each in (seen.astype(np.float64), held, held**2)
        )
        number = size + number
        spread = (size - 1.0 + square - total**2 / number) / (number - 1.0)
        t = (value - total / number) / np.sqrt(spread * (1.0 + 1.0 / number))
        # From the nearer tail: the other one loses its digits.
        tail = np.maximum(stdtr(number - 1.0, -np.abs(t)), 1e-300)
        found[own] = np.where(t > 0.0, -ndtri(tail), ndtri(tail))
    return found


def likelihoods(score: Values) -> Values:
    """How much likelier each sample is as a stray in force, resistance or both: (n, 3, ...)."""
    both = (score[:, :1] + score[:, 1:]) * 0.5**0.5
    z = np.concatenate([score, both], axis=1)
    ratio = np.mean([np.exp(d * z - d * d / 2.0) for d in DEPTHS], axis=0)
    return np.where(np.isnan(z), 1.0, np.minimum(ratio, MOST))


def _mixed(likely: Values) -> Values:
    """Likelihood ratios of each sample by direction and share of strays: (n, 3, shares, ...)."""
    p = np.array(STRAY_SHARES).reshape(-1, *(1,) * (likely.ndim - 2))
    return 1.0 - p + p * likely[:, :, None]


def stray_sum(likely: Values) -> Values:
    """The sum of likelihood ratios after each sample, shape (n, ...)."""
    logs = np.cumsum(np.log(_mixed(likely)), axis=0)
    before = np.concatenate([np.zeros((1, *logs.shape[1:])), -logs[:-1]])
    sums = np.exp(np.minimum(logs + np.logaddexp.accumulate(before, axis=0), 500.0)).mean(axis=2)
    return np.tensordot(np.array(SHARES), np.moveaxis(sums, 1, 0), axes=1)
