"""All differences between two groups: their order statistics, and how often one group is greater.

Pairs are counted by sorting, not listed, so that large groups cost n log n.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Values = NDArray[np.float64]

ROUNDING = 2.0**-52
"""Bisection ends at this share of the whole range."""

EXACT_UP_TO = 50
"""Group size up to which ranks come from the exact distribution of the Mann-Whitney count."""


def nth_difference(first: Values, second: Values, rank: int) -> float:
    """The difference ``first[i] - second[j]`` of that rank among all, from 0, by bisection."""
    # Both sorted: looking up rising values is many times as fast.
    values, others = np.sort(first), np.sort(second)
    low, high = float(values[0] - others[-1]), float(values[-1] - others[0])
    enough = (high - low) * ROUNDING
    # Far from zero the numbers themselves lie farther apart than that share of their range.
    while high - low > enough and low < (middle := low + (high - low) / 2.0) < high:
        # first - second <= middle where second >= first - middle.
        reached = others.size * values.size - int(np.searchsorted(others, values - middle).sum())
        low, high = (low, middle) if reached > rank else (middle, high)
    return _nearest_difference(values, others, high)


def _nearest_difference(values: Values, others: Values, near: float) -> float:
    """The difference that truly occurs: the bisection ends a rounding error away from it."""
    place = np.searchsorted(others, values - near)
    around = [others[np.clip(place + step, 0, others.size - 1)] for step in (-1, 0)]
    differences = np.concatenate([values - other for other in around])
    return float(differences[np.argmin(np.abs(differences - near))])


def median_difference(first: Values, second: Values) -> float:
    """Median of all differences: the estimate of Hodges & Lehmann (1963)."""
    pairs = first.size * second.size
    upper = nth_difference(first, second, pairs // 2)
    if pairs % 2:
        return upper
    return (nth_difference(first, second, pairs // 2 - 1) + upper) / 2.0


def interval_rank(n: int, m: int, confidence: float) -> int | None:
    """Rank, from 0, of the difference at the low end of an interval of the shift.

    The interval runs from that rank to the one as far from the top. Exact where both groups have
    at most :data:`EXACT_UP_TO` values, by the normal approximation above.

    Returns
    -------
    int or None
        None where even the least and the greatest difference do not reach the confidence.
    """
    tail = (1.0 - confidence) / 2.0
    if max(n, m) <= EXACT_UP_TO:
        below = np.cumsum(mann_whitney_chances(n, m))
        rank = int(np.searchsorted(below, tail * (1.0 + 1e-12), side="right")) - 1
    else:
        deviation = math.sqrt(n * m * (n + m + 1) / 12.0)
        rank = math.floor(n * m / 2.0 + float(ndtri(tail)) * deviation - 0.5)
    return rank if rank >= 0 else None


def mann_whitney_chances(n: int, m: int) -> Values:
    """Chance of each count of pairs in which one group is greater, both groups being alike.

    By the recursion of Mann & Whitney (1947) on which group holds the greatest value.

    Returns
    -------
    Shape (n m + 1,), for 0 to n m pairs, without ties.
    """
    row = [np.ones(1) for _ in range(m + 1)]
    for i in range(1, n + 1):
        above, row = row, [np.ones(1)]
        for j in range(1, m + 1):
            chances = np.zeros(i * j + 1)
            chances[j:] += i / (i + j) * above[j]
            chances[: i * (j - 1) + 1] += j / (i + j) * row[j - 1]
            row.append(chances)
    return row[m]


def placements(first: Values, second: Values) -> Values:
    """Share of ``second`` below each value of ``first``, a tie counting one half."""
    others = np.sort(second)
    below = np.searchsorted(others, first, side="left")
    up_to = np.searchsorted(others, first, side="right")
    return np.asarray((below + up_to) / (2.0 * others.size))
