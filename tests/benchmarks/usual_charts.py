"""The usual charts on two characteristics at once, for comparison with the wear watch.

Each watches both scores in their bad direction only, as the wear watch does, and is brought to the
in-control run length asked for by one factor on its limits. A chart is a statistic that signals
above a limit; many courses run at once.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.run_lengths import Mean, steady

Values = NDArray[np.float64]

MOVING_RANGE_LIMIT = 3.686
"""D4 d2 = 3.267 * 1.128 [seen-2]: the usual limit of a moving range, in deviations."""


class Chart(Protocol):
    """One statistic per course and sample."""

    def update(self, scores: Values) -> Values:
        """Take one sample, shape (2, courses), bad directions up; return shape (courses,)."""
        ...

    def keep(self, going: NDArray[np.bool_]) -> None:
        """Drop the courses that have signalled."""
        ...


class CusumChart:
    """A one-sided cumulative sum on each score (Page 1954)."""

    def __init__(self, courses: int, reference: float = 0.5) -> None:
        self.sums = np.zeros((2, courses))
        self.reference = reference

    def update(self, scores: Values) -> Values:
        """Return the greater sum."""
        self.sums = np.maximum(self.sums + scores - self.reference, 0.0)
        return np.asarray(self.sums.max(axis=0))

    def keep(self, going: NDArray[np.bool_]) -> None:
        """Drop courses."""
        self.sums = self.sums[:, going]


class EwmaChart:
    """Exponentially weighted mean of each score, fixed limits: Lucas & Saccucci 1990 [seen-1]."""

    def __init__(self, courses: int, weight: float = 0.2) -> None:
        self.means = np.zeros((2, courses))
        self.weight = weight

    def update(self, scores: Values) -> Values:
        """Return the greater mean in its own deviations."""
        self.means = self.means + self.weight * (scores - self.means)
        return np.asarray(self.means.max(axis=0) / (self.weight / (2.0 - self.weight)) ** 0.5)

    def keep(self, going: NDArray[np.bool_]) -> None:
        """Drop courses."""
        self.means = self.means[:, going]


class MovingRangeChart:
    """Individual values and moving ranges, both limits widened alike; 1 is the usual width."""

    def __init__(self, courses: int) -> None:
        self.last = np.full((2, courses), np.nan)

    def update(self, scores: Values) -> Values:
        """Return the greater of value and range, over the usual limit."""
        ranges = np.abs(scores - self.last) / MOVING_RANGE_LIMIT
        self.last = scores
        return np.asarray(np.fmax(scores / 3.0, ranges).max(axis=0))

    def keep(self, going: NDArray[np.bool_]) -> None:
        """Drop courses."""
        self.last = self.last[:, going]


@dataclass(frozen=True)
class Usual:
    """A usual chart: how it is made, and between which limits its limit lies."""

    name: str
    make: Callable[[int], Chart]
    low: float
    high: float


USUAL = (
    Usual("individuals, moving range", MovingRangeChart, 0.8, 1.6),
    Usual("EWMA 0.1", lambda courses: EwmaChart(courses, 0.1), 1.5, 3.9),
    Usual("EWMA 0.2", EwmaChart, 1.5, 3.9),
    Usual("CUSUM 0.25", lambda courses: CusumChart(courses, 0.25), 3.0, 14.0),
    Usual("CUSUM 0.5", CusumChart, 2.0, 7.0),
)


def first_passages(
    chart: Chart, limits: Values, mean: Mean, *, courses: int, seed: int
) -> NDArray[np.int64]:
    """Run lengths, shape (courses, limits), of every course at every one of rising limits."""
    rng = np.random.default_rng(seed)
    found = np.zeros((courses, limits.size), dtype=np.int64)
    going = np.arange(courses)
    number = 0
    while going.size:
        number += 1
        level = mean(np.array([number]))[0]
        statistic = chart.update(rng.standard_normal((2, going.size)) + level[:, None])
        reached = (statistic[:, None] > limits) & (found[going] == 0)
        found[going] += number * reached
        still = found[going, -1] == 0
        if not still.all():
            going = going[still]
            chart.keep(still)
    return found


def limit_for(usual: Usual, run_length: float, *, courses: int, seed: int) -> float:
    """Limit that gives the in-control mean run length asked for: a rough look, then a fine one."""
    rough = _limit(usual, np.linspace(usual.low, usual.high, 25), run_length, courses // 8, seed)
    return _limit(usual, rough * np.linspace(0.97, 1.03, 5), run_length, courses, seed + 1)


def _limit(usual: Usual, limits: Values, run_length: float, courses: int, seed: int) -> float:
    found = first_passages(usual.make(courses), limits, steady(2), courses=courses, seed=seed)
    return float(np.interp(np.log(run_length), np.log(found.mean(axis=0)), limits))
