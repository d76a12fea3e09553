"""Are two groups alike: two tools, two ways of joining, two lots, two people?

Four answers that do not need each other: how far the means lie apart (unequal variances), how far
typical values lie apart whatever the distribution, how often a sample of one group is above one of
the other, and how the spreads compare. Each has its interval; warnings never drop data.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtr, fdtri, stdtr, stdtrit

from calibration.saying import say
from station.statistics.capability import demand_share
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt
from station.statistics.pair_counts import (
    interval_rank,
    median_difference,
    nth_difference,
    placements,
)

Values = NDArray[np.float64]

UNIT_RATIOS = {"pounds and newtons": 4.448, "ohms and milliohms": 1000.0}
UNIT_SLACK = 0.05
"""Medians whose ratio is this near a ratio of units raise a doubt."""

LARGEST = 1e100
"""The squares of greater values, and their squares, might not be numbers any more."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with the two ends of its interval; ends are None where none can be given.

    ``p`` is the two-sided probability of so clear a difference between groups that are alike.
    """

    value: float
    low: float | None
    high: float | None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class SampleGroup:
    """What one group looks like."""

    n: int
    mean: float
    sd: float
    median: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups compared, the first against the second.

    Attributes
    ----------
    difference
        Of the means, by Welch's t with the degrees of freedom ``dof`` (Welch-Satterthwaite).
    typical_difference
        Median of all pairs' differences (Hodges & Lehmann) with the interval of Mann & Whitney.
    chance_above
        Chance that a value of the first group is above one of the second, a tie counting one half.
    spread_ratio
        Standard deviation of the first over that of the second, by F; None without any spread.
    warnings
        What speaks against the figures, in sentences.
    """

    groups: tuple[SampleGroup, SampleGroup]
    difference: Estimate
    dof: float
    typical_difference: Estimate
    chance_above: Estimate
    spread_ratio: Estimate | None
    confidence: float
    warnings: tuple[str, ...]

    @property
    def higher(self) -> int | None:
        """Which group, 0 or 1, has the higher mean; None where the interval holds zero."""
        return {1: 0, -1: 1}.get(_clear(self.difference))


def compare(
    first: Sequence[float],
    second: Sequence[float],
    *,
    names: tuple[str, str] = ("first", "second"),
    confidence: float = 0.95,
) -> Comparison:
    """Compare two groups of single values in one unit.

    Parameters
    ----------
    names
        Used in messages and warnings.
    confidence
        Of every interval, two-sided, between 0 and 1.

    Raises
    ------
    ValueError
        A group of fewer than two values, a value that is not finite, no spread in either group, or
        a confidence outside 0 to 1.
    """
    demand_share("confidence", confidence)
    a, b = _checked(first, names[0]), _checked(second, names[1])
    groups = (_group(a), _group(b))
    if groups[0].sd == 0.0 and groups[1].sd == 0.0:
        raise ValueError(
            f"the values of {names[0]} are all equal and those of {names[1]} as well: without any "
            "spread nothing can be said of chance"
        )
    difference, dof = welch(*groups, confidence=confidence)
    typical = _typical_difference(a, b, confidence)
    return Comparison(
        groups,
        difference,
        dof,
        typical,
        chance_above(a, b, confidence=confidence),
        _spread_ratio(groups, confidence),
        confidence,
        tuple(_warnings((a, b), groups, names, difference, typical)),
    )


def welch(first: SampleGroup, second: SampleGroup, *, confidence: float) -> tuple[Estimate, float]:
    """Difference of two means with unequal variances, and its degrees of freedom.

    Welch (1947), Satterthwaite (1946). At least one group must have some spread.
    """
    parts = [group.sd**2 / group.n for group in (first, second)]
    variance = sum(parts)
    dof = variance**2 / (parts[0] ** 2 / (first.n - 1) + parts[1] ** 2 / (second.n - 1))
    value, error = first.mean - second.mean, math.sqrt(variance)
    half = float(stdtrit(dof, 0.5 + confidence / 2.0)) * error
    p = 2.0 * float(stdtr(dof, -abs(value) / error))
    return Estimate(value, value - half, value + half, p), dof


def chance_above(first: Values, second: Values, *, confidence: float) -> Estimate:
    """Chance that a value of ``first`` is above one of ``second``, a tie counting one half.

    Variances of the placements and their degrees of freedom by Brunner & Munzel (2000), Student's
    interval on the log odds, so that it stays within 0 to 1. Where the groups do not overlap at
    all, nothing varies: then as many disjoint pairs as the smaller group allows, all decided alike,
    give the end of the interval (binomial), and there is no probability ``p``.
    """
    above, below = placements(first, second), placements(second, first)
    value = float(above.mean())
    n, m = first.size, second.size
    parts = float(above.var(ddof=1)) / n, float(below.var(ddof=1)) / m
    variance = sum(parts)
    if variance == 0.0:
        end = ((1.0 - confidence) / 2.0) ** (1.0 / min(n, m))
        if value == 0.5:
            return Estimate(value, 0.0, 1.0)
        return Estimate(value, end, 1.0) if value > 0.5 else Estimate(value, 0.0, 1.0 - end)
    dof = variance**2 / (parts[0] ** 2 / (n - 1) + parts[1] ** 2 / (m - 1))
    error = math.sqrt(variance)
    p = 2.0 * float(stdtr(dof, -abs(value - 0.5) / error))
    odds = math.log(value / (1.0 - value))
    half = float(stdtrit(dof, 0.5 + confidence / 2.0)) * error / (value * (1.0 - value))
    return Estimate(value, _share(odds - half), _share(odds + half), p)


def _share(log_odds: float) -> float:
    return 0.5 + 0.5 * math.tanh(log_odds / 2.0)


def _checked(values: Sequence[float], name: str) -> Values:
    data = np.asarray(values, dtype=np.float64)
    if data.size < 2:
        raise ValueError(
            say(
                "the group {name} has {size} values: a comparison needs at least 2",
                name=name,
                size=data.size,
            )
        )
    if not np.isfinite(data).all():
        raise ValueError(f"a value of the group {name} is not a finite number")
    if np.abs(data).max() > LARGEST:
        raise ValueError(f"a value of the group {name} is too large to take a spread from")
    return data


def _group(data: Values) -> SampleGroup:
    # The middle of equal values must be that value, or rounding would pass for spread.
    sd = 0.0 if np.ptp(data) == 0.0 else float(data.std(ddof=1))
    return SampleGroup(int(data.size), float(data.mean()), sd, float(np.median(data)))


def _typical_difference(first: Values, second: Values, confidence: float) -> Estimate:
    value = median_difference(first, second)
    rank = interval_rank(first.size, second.size, confidence)
    if rank is None:
        return Estimate(value, None, None)
    last = first.size * second.size - 1
    return Estimate(
        value, nth_difference(first, second, rank), nth_difference(first, second, last - rank)
    )


def _spread_ratio(groups: tuple[SampleGroup, SampleGroup], confidence: float) -> Estimate | None:
    """Ratio of standard deviations with the interval of F for normal data."""
    first, second = groups
    if first.sd == 0.0 or second.sd == 0.0:
        return None
    ratio, dofs = first.sd / second.sd, (first.n - 1, second.n - 1)
    tail = (1.0 - confidence) / 2.0
    low, high = (ratio / math.sqrt(float(fdtri(*dofs, p))) for p in (1.0 - tail, tail))
    below = float(fdtr(*dofs, ratio**2))
    return Estimate(ratio, low, high, 2.0 * min(below, 1.0 - below))


def _warnings(
    data: tuple[Values, Values],
    groups: tuple[SampleGroup, SampleGroup],
    names: tuple[str, str],
    difference: Estimate,
    typical: Estimate,
) -> list[str]:
    found: list[str] = []
    for values, group, name in zip(data, groups, names, strict=True):
        found += _doubts(values, group, name)
    found += _unit_doubts(groups)
    if typical.low is None:
        found.append(say("The groups are too small for an interval of the typical difference."))
    elif _clear(difference) != _clear(typical):
        found.append(
            say(
                "The difference of the means and the typical difference disagree on "
                "whether the groups differ: look at the picture before deciding."
            )
        )
    return found


def _doubts(values: Values, group: SampleGroup, name: str) -> list[str]:
    if group.sd == 0.0:
        return [say("All values of {name} are equal: its spread cannot be known.", name=name)]
    whose = f" of {name}"
    doubts = (
        shape_doubt(values, whose), outlier_doubt(values, whose), resolution_doubt(values, whose),
    )  # fmt: skip
    return [doubt for doubt in doubts if doubt is not None]


def _unit_doubts(groups: tuple[SampleGroup, SampleGroup]) -> list[str]:
    first, second = (abs(group.median) for group in groups)
    if min(first, second) == 0.0:
        return []
    ratio = max(first, second) / min(first, second)
    return [
        say(
            "The medians differ by a factor of {ratio:.4g}, as {units} do: check the units.",
            ratio=ratio,
            units=say(units),
        )
        for units, factor in UNIT_RATIOS.items()
        if abs(ratio / factor - 1.0) < UNIT_SLACK
    ]


def _clear(estimate: Estimate) -> int:
    """Sign of a difference whose interval does not hold zero, else 0."""
    if estimate.low is None or estimate.high is None:
        return 0
    return int(estimate.low > 0.0) - int(estimate.high < 0.0)
