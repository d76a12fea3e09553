"""When a change began and how fast it goes, once a chart has signalled.

Two shapes are fitted by least squares at every possible beginning: a step, and a ramp that grows by
the same amount with every sample. The centre of each joint is not taken as known: its baseline of n
samples counts as n earlier observations. Intervals are profile likelihood sets. They are read when
a chart has just signalled, which it does sooner the steeper the last samples happen to lie, so that
the usual cuts of chi-squared and Student hold too seldom. The cuts here make intervals of 95 % hold
in about so many cases then, for jumps and drifts, by simulation
(``tests/benchmarks/signal_intervals.py``); later they hold more often."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Values = NDArray[np.float64]
Shape = Literal["step", "ramp"]

_STEP_CUT, _RAMP_CUT = -2.0 * math.log(0.1), -2.0 * math.log(0.015)
"""Twice the log likelihood ratio that a beginning may lack by either shape, the variance known."""

_SLOPE_CONFIDENCE = 0.99
"""Of Student's t, for slopes."""


@dataclass(frozen=True, slots=True)
class Change:
    """A change in deviations of the baseline; positions count from 0, ends of intervals included.

    Attributes
    ----------
    shape
        Which of the two fits better.
    began, began_low, began_high
        Position of the first changed sample, with its interval over both shapes.
    slope, slope_low, slope_high
        Growth of the ramp per position.
    level
        Distance from the baseline at the last position, by the better shape.
    ramps
        Shape (k, 3): beginning, lowest and highest slope of every ramp in the interval.
    """

    shape: Shape
    began: int
    began_low: int
    began_high: int
    slope: float
    slope_low: float
    slope_high: float
    level: float
    ramps: Values


@dataclass(frozen=True, slots=True)
class _Fits:
    """One shape fitted at every beginning: sizes, information and sums of squares."""

    sizes: Values
    information: Values
    squares: Values

    @property
    def best(self) -> int:
        return int(np.argmin(self.squares))


def fit_change(
    distances: Sequence[float] | Values,
    positions: Sequence[int] | None = None,
    *,
    joints: Sequence[int] | None = None,
    baseline_sizes: Sequence[float] = (math.inf,),
    latest: int | None = None,
) -> Change:
    """Fit a step and a ramp to distances from the baseline.

    Parameters
    ----------
    distances
        In time order, in deviations of each sample's baseline; the baseline's centre is 0.
    positions
        Rising position of each; None counts from 0.
    joints
        Index into ``baseline_sizes`` for each; None where there is but one joint.
    baseline_sizes
        Samples behind each joint's baseline; infinite where centre and deviation are known.
    latest
        Last position at which the change may have begun; usually that of the signal.

    Raises
    ------
    ValueError
        There are no distances, or none up to ``latest``.
    """
    y = np.asarray(distances, dtype=np.float64)
    at = np.arange(y.size) if positions is None else np.asarray(positions)
    group = np.zeros(y.size, dtype=np.intp) if joints is None else np.asarray(joints, dtype=np.intp)
    starts = int(np.sum(at <= (at[-1] if latest is None else latest))) if y.size else 0
    if starts == 0:
        raise ValueError("there is no sample that a change could have begun with")
    sizes = np.asarray(baseline_sizes, dtype=np.float64)
    fits: dict[Shape, _Fits] = {
        "step": _fits(y, at, group, sizes, starts, 0),
        "ramp": _fits(y, at, group, sizes, starts, 1),
    }
    return _change(at, fits, *_variance(y.size, group, sizes, fits))


def _fits(
    y: Values,
    at: NDArray[np.int_],
    group: NDArray[np.intp],
    sizes: Values,
    starts: int,
    degree: int,
) -> _Fits:
    """Least squares of size * (position - beginning + 1) ** degree, the joints' centres free."""
    time = at.astype(np.float64)
    begin = time[:starts] - 1.0

    def tail(weight: Values) -> tuple[Values, Values, Values]:
        """Sums from every beginning on, of weight times 1, t and t squared."""
        return tuple(np.cumsum((weight * time**p)[::-1])[::-1][:starts] for p in range(3))  # type: ignore[return-value]

    def along(weight: Values) -> Values:
        flat, linear, _ = tail(weight)
        return linear - begin * flat if degree else flat

    ones = np.ones_like(y)
    flat, linear, square = tail(ones)
    information = square - 2.0 * begin * linear + begin**2 * flat if degree else flat.copy()
    product, total = along(y), float(y @ y)
    for place, size in enumerate(sizes):
        inside = (group == place).astype(np.float64)
        count = float(inside.sum())
        if count == 0.0 or math.isinf(size):
            continue
        own, mean_part = along(inside), float(inside @ y)
        information -= own**2 / (size + count)
        product -= own * mean_part / (size + count)
        total -= mean_part**2 / (size + count)
    return _Fits(product / information, information, total - product**2 / information)


def _variance(
    n: int, group: NDArray[np.intp], sizes: Values, fits: dict[Shape, _Fits]
) -> tuple[float, float]:
    """Variance of a distance, and Student's t for it at the confidence."""
    earlier = float(np.sum(sizes[np.unique(group)] - 1.0))
    known = math.isinf(earlier)
    dof = 1e9 if known else earlier + max(n - 2, 0)
    least = min(float(fit.squares.min()) for fit in fits.values())
    variance = 1.0 if known else (earlier + least) / dof
    return variance, float(stdtrit(dof, 0.5 + _SLOPE_CONFIDENCE / 2.0))


def _change(
    at: NDArray[np.int_], fits: dict[Shape, _Fits], variance: float, student: float
) -> Change:
    step, ramp = fits["step"], fits["ramp"]
    shape: Shape = "ramp" if ramp.squares.min() <= step.squares.min() else "step"
    better = fits[shape]
    least = float(better.squares.min())
    near = np.flatnonzero(
        (step.squares <= least + variance * _STEP_CUT)
        | (ramp.squares <= least + variance * _RAMP_CUT)
    )
    room = float(ramp.squares.min()) + variance * student**2 - ramp.squares
    inside = np.flatnonzero(room >= 0.0)
    half = np.sqrt(room[inside] / ramp.information[inside])
    slopes = ramp.sizes[inside]
    began = better.best
    reach = float(at[-1] - at[began] + 1) if shape == "ramp" else 1.0
    return Change(
        shape=shape,
        began=int(at[began]),
        began_low=int(at[near[0]]),
        began_high=int(at[near[-1]]),
        slope=float(ramp.sizes[ramp.best]),
        slope_low=float((slopes - half).min()),
        slope_high=float((slopes + half).max()),
        level=float(better.sizes[began]) * reach,
        ramps=np.column_stack([at[inside], slopes - half, slopes + half]),
    )
