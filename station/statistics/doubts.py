"""What speaks against a figure: values that are not normal, far out, or too coarse.

A doubt is a sentence for people, or None. Doubts never drop data.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtr

from calibration.saying import say

Values = NDArray[np.float64]

NORMALITY_ALARM = 0.01
OUTLIER_ALARM = 0.01

COARSE_STEP = 0.5
"""Smallest step between values, in standard deviations, at which resolution swells the spread."""

COARSE_SHARE = 0.5
"""Share of different values at or below which values are said to repeat."""


def shape_doubt(values: Sequence[float] | Values, whose: str = "") -> str | None:
    """Say if at least eight values do not look normal.

    Parameters
    ----------
    whose
        Put after "the values", for instance " of tool 3".
    """
    if len(values) < 8 or anderson_darling(values)[1] >= NORMALITY_ALARM:
        return None
    return say(
        "The values{whose} do not look normal, and figures rest on that: look at them drawn.",
        whose=whose,
    )


def outlier_doubt(values: Sequence[float] | Values, whose: str = "") -> str | None:
    """Say if one of at least three values lies far from the others."""
    if len(values) < 3:
        return None
    index, p = grubbs(values)
    if p >= OUTLIER_ALARM:
        return None
    return say(
        "Value {values:g} at index {index}{whose} lies far from the others: find out "
        "why. It was counted.",
        values=values[index],
        index=index,
        whose=whose,
    )


def resolution_doubt(
    values: Sequence[float] | Values, whose: str = "", *, sd: float | None = None
) -> str | None:
    """Say if values are all equal, or repeat in steps so coarse that resolution makes their spread.

    A step of half a deviation swells a spread by 1 %, one of a whole deviation by 4 % (Sheppard:
    the variance of rounding is step squared over 12).

    Parameters
    ----------
    sd
        Deviation to compare the step with; None takes that of the values.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.size < 2:
        return None
    different = np.unique(data)
    if different.size > COARSE_SHARE * data.size:
        return None
    if different.size == 1:
        return say("All values{whose} are equal: the gauge is too coarse, or stuck.", whose=whose)
    step = float(np.diff(different).min())
    if step < COARSE_STEP * (float(data.std(ddof=1)) if sd is None else sd):
        return None
    return say(
        "The values{whose} repeat in steps of {step:.3g}, coarse against their spread: the "
        "resolution of the gauge shows.",
        whose=whose,
        step=step,
    )


def anderson_darling(values: Sequence[float] | NDArray[np.float64]) -> tuple[float, float]:
    """Anderson-Darling statistic for normality and its probability.

    Mean and variance estimated; probability by D'Agostino & Stephens 1986, table 4.9 (formula from
    memory, checked in the tests against a reference library).
    """
    data = np.sort(np.asarray(values, dtype=np.float64))
    n = data.size
    z = (data - data.mean()) / data.std(ddof=1)
    low = np.clip(ndtr(z), 1e-300, None)
    high = np.clip(ndtr(-z), 1e-300, None)
    odd = 2.0 * np.arange(1, n + 1) - 1.0
    statistic = -n - float(np.mean(odd * (np.log(low) + np.log(high[::-1]))))
    a = statistic * (1.0 + 0.75 / n + 2.25 / n**2)
    return statistic, _anderson_probability(a)


def _anderson_probability(a: float) -> float:
    if a < 0.2:
        return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    if a < 0.34:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    return math.exp(1.2937 - 5.709 * min(a, 13.0) + 0.0186 * min(a, 13.0) ** 2)


def grubbs(values: Sequence[float] | NDArray[np.float64]) -> tuple[int, float]:
    """Grubbs' test of the value farthest from the mean: its index and probability (two-sided)."""
    data = np.asarray(values, dtype=np.float64)
    n = data.size
    distance = np.abs(data - data.mean()) / data.std(ddof=1)
    index = int(np.argmax(distance))
    g = float(distance[index])
    rest = (n - 1) ** 2 - n * g * g
    if rest <= 0.0:
        return index, 0.0
    t = math.sqrt(n * (n - 2) * g * g / rest)
    return index, min(1.0, 2.0 * n * float(stdtr(n - 2, -t)))
