"""Run lengths of the one-sided cumulative sum, from its integral equation.

The sum adds what each score exceeds a reference value by, and never falls below zero; it signals
above a threshold. Its run length (mean number of samples to a signal) solves a Fredholm equation of
the second kind (Page 1954), solved here on Gauss-Legendre nodes.
"""

import math
from functools import cache

import numpy as np
from scipy.special import ndtr

_NODES = 64


@cache
def cusum_run_length(reference: float, threshold: float, shift: float = 0.0) -> float:
    """Mean samples to a signal of a one-sided cumulative sum that starts at zero.

    Parameters
    ----------
    reference, threshold
        ``k`` and ``h`` of the scheme, in standard deviations.
    shift
        Mean of the scores in the direction watched, in standard deviations; 0 while in control.
    """
    if threshold <= 0.0:
        raise ValueError(f"the threshold must be positive: {threshold}")
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y = (nodes + 1.0) * threshold / 2.0
    w = weights * threshold / 2.0
    start = np.concatenate(([0.0], y))
    density = np.exp(-0.5 * (y[None, :] + reference - shift - start[:, None]) ** 2)
    density *= w[None, :] / math.sqrt(2.0 * math.pi)
    to_zero = ndtr(reference - shift - start)
    system = np.eye(_NODES + 1)
    system[:, 0] -= to_zero
    system[:, 1:] -= density
    return float(np.linalg.solve(system, np.ones(_NODES + 1))[0])


@cache
def cusum_threshold(reference: float, run_length: float) -> float:
    """Threshold at which the in-control run length is ``run_length``, by bisection."""
    if run_length < 2.0:
        raise ValueError(f"the in-control run length must be at least 2 samples: {run_length}")
    low, high = 1e-6, 1.0
    while cusum_run_length(reference, high) < run_length:
        low, high = high, high * 2.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if cusum_run_length(reference, middle) < run_length:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0
