"""The best chart after a while of good samples: exact delays of a cumulative sum from its equation.

A chart that has run for some time no longer stands where it started: its sums lie above zero, and a
change is found sooner. Whoever compares charts there must let the bound's own chart run as long.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

_NODES = 64

Values = NDArray[np.float64]


def cusum_delay_after(reference: float, threshold: float, shift: float, good_samples: int) -> float:
    """Mean delay of a one-sided cumulative sum for a shift after some good samples.

    The sum starts at zero, runs through ``good_samples`` without a shift, and is counted only where
    it has not signalled in them.

    Parameters
    ----------
    reference, threshold, shift
        In standard deviations, as in ``cusum_run_lengths.cusum_run_length``.
    """
    delays = np.linalg.solve(
        np.eye(_NODES + 1) - _steps(reference, threshold, shift), np.ones(_NODES + 1)
    )
    quiet = _steps(reference, threshold, 0.0)
    standing = np.zeros(_NODES + 1)
    standing[0] = 1.0
    for _ in range(good_samples):
        standing = standing @ quiet
        standing /= standing.sum()
    return float(standing @ delays)


def _steps(reference: float, threshold: float, shift: float) -> Values:
    """Chances of moving between zero (first) and the nodes above it, without a signal."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y = (nodes + 1.0) * threshold / 2.0
    start = np.concatenate(([0.0], y))
    density = np.exp(-0.5 * (y[None, :] + reference - shift - start[:, None]) ** 2)
    density *= weights[None, :] * threshold / 2.0 / math.sqrt(2.0 * math.pi)
    return np.column_stack([ndtr(reference - shift - start), density])
