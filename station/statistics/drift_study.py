"""Has a column of values drifted, since when, and how fast: the wear watch for anyone's numbers."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.statistics.change_point import Change, fit_change
from station.statistics.pooling import MIN_BASELINE, Baseline, baseline_of
from station.statistics.wear_watch import KNOWN, first_signal, samples_to_find, widening

Direction = Literal["down", "up", "both"]

FARTHEST = 1e9
"""A value more deviations from its centre than this was surely scored by a wrong one."""


DEFAULT_BASELINE = 30

DETECTOR = "Shiryaev-Roberts sum of likelihood ratios, mean and deviation unknown"

ASSUMES = (
    "the baseline is of the unchanged process",
    "values do not depend on their neighbours, and days are alike, until 20 days are named",
    "values are bell-shaped",
)
"""What the in-control run length rests on."""


@dataclass(frozen=True, slots=True)
class DriftStudy:
    """What the wear watch finds in one column of values; indices count the watched ones from 0.

    Attributes
    ----------
    baseline
        Centre and deviation of the baseline; ``n`` is 0 where both were given.
    signal_index
        First value at which the watch signals; None where it does not.
    change
        The change in deviations; None without a signal.
    one_sigma_within
        Values within which a change of one deviation, from now on, is found nine times in ten;
        None where it may stay unseen.
    """

    baseline: Baseline
    signal_index: int | None
    change: Change | None
    one_sigma_within: int | None

    @property
    def slopes(self) -> tuple[float, float, float] | None:
        """Change per value in the values' own unit: estimate, low and high; None without one."""
        if self.change is None:
            return None
        unit, change = self.baseline.sigma, self.change
        return change.slope * unit, change.slope_low * unit, change.slope_high * unit


def drift_study(
    values: Sequence[float],
    *,
    center: float | None = None,
    sigma: float | None = None,
    baseline: int = DEFAULT_BASELINE,
    direction: Direction = "both",
    run_length: float = 930.0,
    days: Sequence[str] | None = None,
) -> DriftStudy:
    """Run the wear watch over values in time order and, on a signal, fit the change.

    Parameters
    ----------
    center, sigma
        Mean and standard deviation while nothing has changed, and all values are watched.
    baseline
        Without them so many values at the start are the baseline, and those after it are watched.
    direction
        Which way a change is looked for.
    run_length
        Mean number of values to a false alarm.
    days
        Day, or sitting, of each value: what the values of one have in common is then allowed for.

    Raises
    ------
    ValueError
        Only one of centre and deviation is given, the deviation is not positive, a value is not
        finite or absurdly far out, the baseline too short, or no value is left to be watched.
    """
    data = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(data)):
        raise ValueError("a value is not a finite number")
    known, first = _baseline(data, center, sigma, baseline)
    distances = (data - known.center) / known.sigma
    watched = distances[first:]
    if np.any(np.abs(watched) > FARTHEST):
        raise ValueError(
            "a value lies absurdly far from the centre: check the values, the centre and sigma"
        )
    size = known.n or KNOWN
    sittings = None if days is None else _numbered(days)
    signal = _signal(distances, first, size, direction, run_length, sittings)
    good = watched.size if signal is None else signal
    alike = 1.0
    if sittings is not None:
        told = np.column_stack([distances, np.full(distances.size, np.nan)])[: first + good]
        alike = float(widening(told, sittings[: first + good])[0])
    within = samples_to_find(alike**-0.5, size + good, run_length)
    if signal is None:
        return DriftStudy(known, None, None, within)
    change = fit_change(watched, baseline_sizes=[known.n or math.inf], latest=signal)
    return DriftStudy(known, signal, change, within)


def _signal(
    distances: NDArray[np.float64],
    first: int,
    size: float,
    direction: Direction,
    run_length: float,
    sittings: NDArray[np.intp] | None,
) -> int | None:
    """First signal of those from ``first`` on; both directions are two sides of the same values."""
    signs = {"up": [1.0], "down": [-1.0], "both": [1.0, -1.0]}[direction]
    worse = np.full((distances.size, 2, len(signs)), np.nan)
    worse[:, 0] = distances[:, None] * signs
    before, worse = worse[:first], worse[first:]
    joints = np.zeros(len(worse), dtype=np.intp)
    found = first_signal(worse, joints, [size], run_length, sittings, before)
    return None if found is None else found[0]


def _numbered(days: Sequence[str]) -> NDArray[np.intp]:
    """Number of each value's day, from 0: a new one wherever the name changes."""
    return np.cumsum([False, *(a != b for a, b in itertools.pairwise(days))])[: len(days)]


def _baseline(
    data: NDArray[np.float64], center: float | None, sigma: float | None, size: int
) -> tuple[Baseline, int]:
    """The baseline, and how many values at the start are part of it."""
    if (center is None) != (sigma is None):
        raise ValueError("the centre and sigma belong together: give both or neither")
    if center is not None and sigma is not None:
        if not (math.isfinite(center) and math.isfinite(sigma) and sigma > 0.0):
            raise ValueError("the centre must be a number and sigma a positive one")
        return Baseline(0, center, sigma), 0
    if size < MIN_BASELINE:
        raise ValueError(f"a baseline needs at least {MIN_BASELINE} values, not {size}")
    if data.size <= size:
        raise ValueError(
            f"{data.size} values are too few: the first {size} are the baseline; "
            "give more, a shorter baseline, or the centre and sigma"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        own = baseline_of(data[:size].tolist())
    if not (math.isfinite(own.center) and math.isfinite(own.sigma)):
        raise ValueError("the first values are too large to take a spread from")
    return own, size
