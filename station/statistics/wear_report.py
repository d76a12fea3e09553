"""What is to be said of a flagged nest: what changed, since when, how fast, how much is left."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.statistics.capability import tolerance_factor
from station.statistics.change_point import Change, fit_change
from station.statistics.pooling import Baseline
from station.statistics.wear_watch import Characteristic, WearFlag

COVERAGE = CONFIDENCE = 0.95
"""Of the lower tolerance bound of the pull force."""

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WearReport:
    """Findings on a flagged nest; positions count its samples from 0.

    Attributes
    ----------
    change
        When it began and how fast it goes, in deviations of the baseline, worse counted up.
    samples_left, samples_left_low, samples_left_high
        Samples after the last one until the lower tolerance bound of some joint's pull force meets
        its limit, with a 95 % interval: 0 where it is past that. None where pull force has not
        changed (it is looked at even where resistance gave the signal), or changed at a stroke and
        so has no pace; the upper end is None where the pace may be nothing.
    """

    characteristic: Characteristic
    signal_position: int
    change: Change
    samples_left: float | None
    samples_left_low: float | None
    samples_left_high: float | None
    levels: tuple[float, float]
    """How much force and resistance have each changed by now, in deviations, worse counted up; of
    one that is not what changed it means nothing."""


@dataclass(frozen=True, slots=True)
class NestDistances:
    """A nest's samples against their baselines.

    Attributes
    ----------
    worse
        Shape (n, 2): distances of force and resistance in deviations, worse counted up; NaN where
        there is none.
    joints
        Shape (n,): index into the baselines of each sample.
    force_baselines
        One per joint, of force over limit.
    """

    worse: Values
    joints: NDArray[np.intp]
    force_baselines: tuple[Baseline, ...]


def wear_report(flag: WearFlag, nest: NestDistances) -> WearReport:
    """Work out when the flagged change began, how fast it goes and how many samples are left."""
    change = _fit(_along(flag.characteristic, nest.worse), nest, flag.signal_position)
    left: tuple[float | None, float | None, float | None] = (None, None, None)
    if np.any(np.isfinite(nest.worse[: flag.signal_position + 1, 0])):
        force = _fit(nest.worse[:, 0], nest, flag.signal_position)
        if flag.characteristic != "resistance" or force.slope_low > 0.0:
            left = _samples_left(force, _room(nest), len(nest.worse) - 1)
    levels = change.level, change.level
    if flag.characteristic == "both":
        own = (_fit(column, nest, flag.signal_position) for column in nest.worse.T)
        levels = next(own).level, next(own).level
    return WearReport(flag.characteristic, flag.signal_position, change, *left, levels=levels)


def tolerance_room(baseline: Baseline) -> float:
    """How far, in deviations, the mean of force over limit may fall until its bound meets 1.

    The bound is mean - k sd with the one-sided normal tolerance factor of the baseline's size.
    """
    return (baseline.center - 1.0) / baseline.sigma - tolerance_factor(
        baseline.n, COVERAGE, CONFIDENCE
    )


def _along(characteristic: Characteristic, worse: Values) -> Values:
    if characteristic == "force":
        return worse[:, 0]
    if characteristic == "resistance":
        return worse[:, 1]
    return np.asarray(worse.sum(axis=1) / math.sqrt(2.0))


def _fit(distances: Values, nest: NestDistances, latest: int) -> Change:
    known = np.flatnonzero(np.isfinite(distances))
    if not np.any(known <= latest):
        # The two never came together: fall back on whichever each sample has.
        distances = np.nanmean(nest.worse, axis=1)
        known = np.flatnonzero(np.isfinite(distances))
    return fit_change(
        distances[known],
        known.tolist(),
        joints=nest.joints[known].tolist(),
        baseline_sizes=[baseline.n for baseline in nest.force_baselines],
        latest=latest,
    )


def _room(nest: NestDistances) -> float:
    return min(tolerance_room(nest.force_baselines[place]) for place in np.unique(nest.joints))


def _samples_left(
    force: Change, room: float, last: int
) -> tuple[float | None, float | None, float | None]:
    if force.level >= room:
        return 0.0, 0.0, 0.0
    if force.shape == "step" or force.slope <= 0.0:
        return None, None, None

    def left(began: Sequence[float] | Values, slope: Values) -> Values:
        return np.maximum(np.asarray(began) - 1.0 + room / slope - last, 0.0)

    began, slow, fast = force.ramps.T
    middle = float(left([float(force.began)], np.array([force.slope]))[0])
    rising = fast > 0.0
    low = float(left(began[rising], fast[rising]).min())
    high = None if slow.min() <= 0.0 else float(left(began, slow).max())
    return middle, low, high


def sample_span(low: float, high: float | None) -> str:
    """An interval of samples in words."""
    if high is None:
        return say("{low:.0f} or more", low=low)
    return say("{low:.0f} to {high:.0f}", low=low, high=high)


def how_fast(change: Change) -> str:
    """The pace of a change in words, in deviations: for who asks why."""
    if change.shape == "step":
        return say("at a stroke, by {level:.1f} standard deviations", level=change.level)
    return say(
        "little by little, by {slope:.2g} standard deviations a sample "
        "({slope_low:.2g} to {slope_high:.2g})",
        slope=change.slope,
        slope_low=change.slope_low,
        slope_high=change.slope_high,
    )


def how_long(report: WearReport) -> str | None:
    """The samples left in words; None where that cannot be said."""
    if report.samples_left is None or report.samples_left_low is None:
        return None
    if report.samples_left == 0.0:
        return say("It is not sure any more that {share:.0%} of its crimps hold.", share=COVERAGE)
    return say(
        "At this pace it is not sure any more that {share:.0%} of its crimps hold after about "
        "{left:.0f} more ({span}).",
        share=COVERAGE,
        left=report.samples_left,
        span=sample_span(report.samples_left_low, report.samples_left_high),
    )
