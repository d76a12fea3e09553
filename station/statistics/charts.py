"""Control charts: individuals, subgroup means, EWMA, CUSUM, and the published run rules.

Choices that the rules leave open, fixed here: "beyond" a zone line is strict; a point exactly on
the centre line ends a run on one side; a tie ends a trend; in "two of three" and "four of five" the
newest point must itself lie in the zone; counters do not restart after a signal.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Values = NDArray[np.float64]
Flags = NDArray[np.bool_]
RuleSet = Literal["we", "nelson", "none"]

MOVING_RANGE_D2 = 1.128
"""As every published table rounds it, so that limits agree with charts made elsewhere."""

LIMIT_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Signal:
    """A point, by its index from 0, and the rule that it breaks."""

    index: int
    rule: str


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart of points with its limits.

    Attributes
    ----------
    sigma
        Standard deviation of a plotted point.
    points
        Shape (n,): the values, the means of their subgroups, their averages or upper sums.
    lower_points
        Shape (n,): the sums below the centre, as negative numbers; None but for cumulative sums.
    """

    center: float
    sigma: float
    lower: float
    upper: float
    points: tuple[float, ...]
    signals: tuple[Signal, ...]
    lower_points: tuple[float, ...] | None = None


@cache
def range_d2(n: int) -> float:
    """Mean range of ``n`` standard normal values: d2 of the control chart tables.

    By the integral of 1 - Phi^n - (1 - Phi)^n over the line (Tippett 1925).
    """
    if not 2 <= n <= 100:
        raise ValueError(f"a subgroup has 2 to 100 values, not {n}")
    x = np.linspace(-9.0, 9.0, 20_001)
    inside = 1.0 - ndtr(x) ** n - ndtr(-x) ** n
    return float(np.sum(inside) * (x[1] - x[0]))


def individuals_chart(
    values: ArrayLike,
    *,
    center: float | None = None,
    sigma: float | None = None,
    rules: RuleSet = "none",
) -> Chart:
    """Chart of single values; spread from the mean moving range of two.

    Raises
    ------
    ValueError
        Fewer than two values, values that are not finite, or no spread.
    """
    points = _checked(values)
    return _chart(points, *_scale(points, center, sigma), rules)


def ewma_chart(
    values: ArrayLike,
    *,
    weight: float = 0.2,
    width: float = LIMIT_SIGMAS,
    center: float | None = None,
    sigma: float | None = None,
) -> Chart:
    """Chart of exponentially weighted moving averages with fixed limits.

    Parameters
    ----------
    weight, width
        Of the newest value, and of the limits in standard deviations of an average.
    sigma
        Standard deviation of a single value, where it is known; else as for individuals.

    Raises
    ------
    ValueError
        As for individuals, or a weight or width that is none.
    """
    data = _checked(values)
    middle, spread = _scale(data, center, sigma)
    _demand_above_zero("width", width)
    averages = ewma(data, weight, middle)
    lower, upper = ewma_limits(middle, spread, weight, width)
    beyond = np.flatnonzero((averages < lower) | (averages > upper))
    signals = tuple(Signal(int(index), "ewma") for index in beyond)
    return Chart(middle, (upper - middle) / width, lower, upper, tuple(averages.tolist()), signals)


def cusum_chart(
    values: ArrayLike,
    *,
    reference: float = 0.5,
    threshold: float = 5.0,
    center: float | None = None,
    sigma: float | None = None,
) -> Chart:
    """Tabular cumulative sums above and below the centre, in the unit of the values.

    Parameters
    ----------
    reference, threshold
        ``k`` and ``h`` of the scheme, in standard deviations of a value.
    sigma
        Standard deviation of a single value, where it is known; else as for individuals.

    Raises
    ------
    ValueError
        As for individuals, or a reference or threshold that is none.
    """
    data = _checked(values)
    middle, spread = _scale(data, center, sigma)
    _demand_above_zero("reference", reference)
    _demand_above_zero("threshold", threshold)
    scores = (data - middle) / spread
    up, down = (cusum(side * scores, reference) * spread for side in (1.0, -1.0))
    limit = threshold * spread
    signals = sorted(
        (int(index), rule)
        for rule, sums in (("cusum-up", up), ("cusum-down", down))
        for index in np.flatnonzero(sums > limit)
    )
    return Chart(
        middle,
        spread,
        -limit,
        limit,
        tuple(up.tolist()),
        tuple(Signal(*signal) for signal in signals),
        tuple((0.0 - down).tolist()),
    )


def means_chart(
    values: ArrayLike,
    subgroups: Sequence[str],
    *,
    center: float | None = None,
    sigma: float | None = None,
    rules: RuleSet = "none",
) -> Chart:
    """Chart of subgroup means; spread within subgroups from their mean range.

    Parameters
    ----------
    subgroups
        One name per value; values of one name form a subgroup, all of one size.
    sigma
        Standard deviation of a single value, where it is known.

    Raises
    ------
    ValueError
        Subgroups of unequal size or of one value, values that are not finite, or no spread.
    """
    data = _checked(values)
    groups: dict[str, list[float]] = {}
    for name, value in zip(subgroups, data.tolist(), strict=True):
        groups.setdefault(name, []).append(value)
    size = len(next(iter(groups.values())))
    for name, members in groups.items():
        if len(members) != size or size < 2:
            raise ValueError(
                f"subgroup {name} has {len(members)} values; all must have the same number, at "
                "least 2"
            )
    table = np.array(list(groups.values()))
    means = table.mean(axis=1)
    if sigma is None:
        sigma = float(np.ptp(table, axis=1).mean()) / range_d2(size)
    middle = float(means.mean()) if center is None else center
    return _chart(means, middle, sigma / math.sqrt(size), rules)


def ewma(values: ArrayLike, weight: float, start: float) -> Values:
    """Exponentially weighted moving averages: weight times value plus the rest of the last one.

    Parameters
    ----------
    values
        Shape (n,).
    weight
        Between 0 (excluded) and 1.
    start
        Average before the first value, usually the target.
    """
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"the weight must lie between 0 and 1, not {weight}")

    def average(last: float, value: float) -> float:
        return weight * value + (1.0 - weight) * last

    data = np.asarray(values, dtype=np.float64).tolist()
    return np.array([*accumulate(data, average, initial=start)][1:], dtype=np.float64)


def cusum(scores: ArrayLike, reference: float) -> Values:
    """One-sided cumulative sums of what scores, shape (n,), exceed a reference value by.

    They never fall below zero (Page 1954).
    """

    def total(last: float, score: float) -> float:
        return max(0.0, last + score - reference)

    data = np.asarray(scores, dtype=np.float64).tolist()
    return np.array([*accumulate(data, total, initial=0.0)][1:], dtype=np.float64)


def ewma_limits(center: float, sigma: float, weight: float, width: float) -> tuple[float, float]:
    """Fixed (asymptotic) limits of an EWMA chart, ``width`` of its own deviations wide."""
    spread = width * sigma * math.sqrt(weight / (2.0 - weight))
    return center - spread, center + spread


def rule_flags(scores: ArrayLike, rules: RuleSet) -> dict[str, Flags]:
    """Where each rule of a set signals.

    Parameters
    ----------
    scores
        Standard scores, shape (..., n): time along the last axis.
    rules
        ``we``: Western Electric 1956. ``nelson``: Nelson, Journal of Quality Technology 16 (1984)
        237-239. ``none``: the limits alone.

    Returns
    -------
    dict
        Rule name to flags of the shape of ``scores``.
    """
    z = np.asarray(scores, dtype=np.float64)
    beyond = np.abs(z) > LIMIT_SIGMAS
    if rules == "none":
        return {"limit": beyond}
    two = _part_of(z, 2.0, 2, 3)
    four = _part_of(z, 1.0, 4, 5)
    if rules == "we":
        return {"we-1": beyond, "we-2": two, "we-3": four, "we-4": _one_side(z, 8)}
    steps = np.sign(np.diff(z, axis=-1, prepend=np.nan))
    return {
        "nelson-1": beyond,
        "nelson-2": _one_side(z, 9),
        "nelson-3": _all_of(steps > 0.0, 5) | _all_of(steps < 0.0, 5),
        "nelson-4": _alternating(steps),
        "nelson-5": two,
        "nelson-6": four,
        "nelson-7": _all_of(np.abs(z) < 1.0, 15),
        "nelson-8": _both_sides_outside(z),
    }


def _scale(data: Values, center: float | None, sigma: float | None) -> tuple[float, float]:
    """Centre and deviation of single values: as given, else their mean and mean moving range."""
    if sigma is None:
        sigma = float(np.mean(np.abs(np.diff(data)))) / MOVING_RANGE_D2
    return _spread(float(data.mean()) if center is None else center, sigma)


def _spread(center: float, sigma: float) -> tuple[float, float]:
    if not (math.isfinite(center) and math.isfinite(sigma) and sigma > 0.0):
        raise ValueError(
            f"the spread is {sigma:g}: a chart needs values that differ, or a given sigma above 0"
        )
    return center, sigma


def _demand_above_zero(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"the {name} must be a number above 0, not {value:g}")


def _chart(points: Values, center: float, sigma: float, rules: RuleSet) -> Chart:
    _spread(center, sigma)
    signals = [
        Signal(int(index), rule)
        for rule, flags in rule_flags((points - center) / sigma, rules).items()
        for index in np.flatnonzero(flags)
    ]
    return Chart(
        center,
        sigma,
        center - LIMIT_SIGMAS * sigma,
        center + LIMIT_SIGMAS * sigma,
        tuple(points.tolist()),
        tuple(sorted(signals, key=lambda signal: (signal.index, signal.rule))),
    )


def _checked(values: ArrayLike) -> Values:
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1 or data.size < 2:
        raise ValueError(f"a chart needs at least 2 values, not {data.size}")
    if not np.isfinite(data).all():
        raise ValueError("a value is not a finite number")
    return data


def _count(hits: Flags, window: int) -> NDArray[np.int64]:
    """Hits among the last ``window`` points, fewer at the beginning."""
    total = np.cumsum(hits, axis=-1, dtype=np.int64)
    earlier = np.zeros_like(total)
    earlier[..., window:] = total[..., :-window]
    return total - earlier


def _all_of(hits: Flags, window: int) -> Flags:
    full: Flags = _count(hits, window) == window
    return full


def _part_of(z: Values, zone: float, least: int, window: int) -> Flags:
    up, down = z > zone, z < -zone
    return (up & (_count(up, window) >= least)) | (down & (_count(down, window) >= least))


def _one_side(z: Values, window: int) -> Flags:
    return _all_of(z > 0.0, window) | _all_of(z < 0.0, window)


def _alternating(steps: Values) -> Flags:
    turned = np.zeros(steps.shape, dtype=np.bool_)
    turned[..., 1:] = steps[..., 1:] * steps[..., :-1] < 0.0
    # Fourteen points have thirteen steps, and between them twelve turns.
    return _all_of(turned, 12)


def _both_sides_outside(z: Values) -> Flags:
    outside = _all_of(np.abs(z) > 1.0, 8)
    return outside & (_count(z > 0.0, 8) > 0) & (_count(z < 0.0, 8) > 0)
