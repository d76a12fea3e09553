"""Robust trends: Sen's slope with its interval, and the Mann-Kendall test, in n log n.

Both look at all pairs of samples. Pairs are counted, not listed: a slope below ``s`` is an
inversion of ``y - s x``, and inversions are counted level by level of a binary ranking.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SenSlope:
    """Median slope of all pairs, the interval that holds it, and the line's height.

    ``intercept`` is the median of y less slope times the median of x, as is usual.
    """

    slope: float
    low: float
    high: float
    intercept: float


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Mann-Kendall test for a monotonic trend.

    Attributes
    ----------
    s
        Rising pairs less falling pairs.
    tau
        ``s`` over the number of pairs.
    z, p
        Normal deviate with continuity correction and two-sided probability, ties allowed for.
    """

    s: int
    tau: float
    z: float
    p: float


def sen_slope(y: ArrayLike, x: ArrayLike | None = None, *, confidence: float = 0.95) -> SenSlope:
    """Sen's slope (Sen 1968) with the interval of Kendall's statistic.

    Parameters
    ----------
    y, x
        Shape (n,), n at least 2; ``x`` counts from 0 where it is not given. Pairs with equal ``x``
        have no slope and are left out.
    confidence
        Of the two-sided interval, between 0 and 1.

    Raises
    ------
    ValueError
        Too few samples, values that are not finite, or all ``x`` equal.
    """
    values, places = _checked(y, x)
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"the confidence must lie between 0 and 1, not {confidence}")
    order = np.lexsort((values, places))
    xs, ys = places[order] - places[order[0]], values[order]
    pairs = _pairs(values.size) - _tied_pairs(places)
    if pairs == 0:
        raise ValueError("all x are equal: there is no slope")
    spread = math.sqrt(_kendall_variance(values, places)) * float(ndtri(0.5 + confidence / 2.0))
    low_rank = max(round((pairs - spread) / 2.0) - 1, 0)
    high_rank = min(round((pairs + spread) / 2.0), pairs - 1)
    # Centred on the line through the ends, so that a steep trend costs no digits.
    tilt = (ys[-1] - ys[0]) / xs[-1]
    flat = ys - ys[0] - tilt * xs
    middle = (_ranked_slope(xs, flat, (pairs - 1) // 2) + _ranked_slope(xs, flat, pairs // 2)) / 2.0
    slope = tilt + middle
    return SenSlope(
        slope,
        tilt + _ranked_slope(xs, flat, low_rank),
        tilt + _ranked_slope(xs, flat, high_rank),
        float(np.median(values)) - slope * float(np.median(places)),
    )


def mann_kendall(y: ArrayLike) -> MannKendall:
    """Mann-Kendall test (Mann 1945, Kendall 1975) for values in time order.

    Raises
    ------
    ValueError
        Fewer than 3 values, or values that are not finite.
    """
    values, _ = _checked(y, None)
    if values.size < 3:
        raise ValueError(f"a trend test needs at least 3 values, not {values.size}")
    falling = _inversions(values)
    pairs, ties = _pairs(values.size), _tied_pairs(values)
    s = pairs - ties - 2 * falling
    variance = _kendall_variance(values, np.arange(values.size, dtype=np.float64))
    z = 0.0 if variance == 0.0 else (s - np.sign(s)) / math.sqrt(variance)
    return MannKendall(int(s), s / pairs, float(z), 2.0 * float(ndtr(-abs(z))))


def _checked(y: ArrayLike, x: ArrayLike | None) -> tuple[Values, Values]:
    values = np.asarray(y, dtype=np.float64)
    places = np.arange(values.size, dtype=np.float64) if x is None else np.asarray(x, np.float64)
    if values.ndim != 1 or values.shape != places.shape:
        raise ValueError(f"{values.size} values but {places.size} places")
    if values.size < 2:
        raise ValueError(f"a trend needs at least 2 values, not {values.size}")
    if not (np.isfinite(values).all() and np.isfinite(places).all()):
        raise ValueError("a value is not a finite number")
    return values, places


def _pairs(n: int) -> int:
    return n * (n - 1) // 2


def _tied_pairs(values: Values) -> int:
    counts = np.unique(values, return_counts=True)[1].astype(np.int64)
    return int(np.sum(counts * (counts - 1)) // 2)


def _kendall_variance(values: Values, places: Values) -> float:
    """Variance of S under no trend, with ties in the values and in the places (Kendall 1975)."""

    def term(data: Values) -> float:
        counts = np.unique(data, return_counts=True)[1].astype(np.float64)
        return float(np.sum(counts * (counts - 1.0) * (2.0 * counts + 5.0)))

    n = float(values.size)
    return (n * (n - 1.0) * (2.0 * n + 5.0) - term(values) - term(places)) / 18.0


def _ranked_slope(x: Values, y: Values, rank: int) -> float:
    """The slope with this rank (from 0) among all pairs; x rising, ties in x by rising y."""
    low, high = _bracket(x, y)
    if _inversions(y - high * x) <= rank:
        return high
    # Every step halves the interval; 200 are more than a float has bits to tell.
    for _ in range(200):
        middle = low + (high - low) / 2.0
        if not low < middle < high:
            break
        if _inversions(y - middle * x) <= rank:
            low = middle
        else:
            high = middle
    return 0.0 if low <= 0.0 <= high else low


def _bracket(x: Values, y: Values) -> tuple[float, float]:
    """Two slopes that no pair lies outside of: neighbours in x are the steepest."""
    distinct = np.flatnonzero(np.diff(x) > 0.0)
    starts = np.concatenate(([0], distinct + 1))
    highest = np.maximum.reduceat(y, starts)
    lowest = np.minimum.reduceat(y, starts)
    step = np.diff(x[starts])
    steepest = float(np.max((highest[1:] - lowest[:-1]) / step))
    least = float(np.min((lowest[1:] - highest[:-1]) / step))
    margin = 1e-12 * max(abs(steepest), abs(least)) + 5e-324
    return least - margin, steepest + margin


def _inversions(values: Values) -> int:
    """Pairs i < j with values[i] > values[j], in n log n.

    Ranks are split by their bits from the highest down: within one block of equal higher bits,
    every 0 behind an earlier 1 is an inversion; parting each block by that bit, order kept, forms
    the next blocks.
    """
    ranks = np.unique(values, return_inverse=True)[1].astype(np.int64)
    total = 0
    for bit in range(int(ranks.max()).bit_length() - 1, -1, -1):
        ones = (ranks >> bit) & 1
        block = ranks >> (bit + 1)
        first = np.flatnonzero(np.concatenate(([True], block[1:] != block[:-1])))
        length = np.diff(np.append(first, ones.size))
        ahead = np.cumsum(ones)
        before = ahead[first] - ones[first]
        zeros = length - (np.append(ahead[first[1:] - 1], ahead[-1]) - before)
        start = np.repeat(first, length)
        ones_before = ahead - ones - np.repeat(before, length)
        total += int(np.sum(ones_before[ones == 0]))
        zeros_before = np.arange(ones.size) - start - ones_before
        place = np.where(ones == 0, zeros_before, np.repeat(zeros, length) + ones_before)
        parted = np.empty_like(ranks)
        parted[start + place] = ranks
        ranks = parted
    return total
