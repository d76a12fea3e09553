"""How far the highest sample of a trace may lie below the true peak. Pure.

What breaks between two samples was still climbing: at most the climb times the gap is missed. A
filter lags behind a climb by its rate times the lag: 1/(2 pi f) for one pole at f, half the length
of a running average, which is the same for f = 1/(pi T). Both hold for the climb just before the
top; where the force is a saw there, the steepest climb of the whole rise is taken.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.crimp.pull.events import Fall, usual_gap_s

Values = NDArray[np.float64]

RATE_WINDOW_FRACTION = 0.15
"""The loading rate is taken over the last rise from this far below the peak up to the peak."""

SAW_FRACTION = 0.7
"""Falls that begin and recover above this share of the peak make its top a saw."""

NOISE_COVER = 1.5
"""A break after the last sample hides behind noise of this many standard deviations."""


@dataclass(frozen=True, slots=True)
class Climb:
    """A rise up to its top.

    Attributes
    ----------
    noise_n
        Standard deviation of a sample.
    steepest_n_per_s
        Steepest climb anywhere on the rise.
    at_top_n_per_s
        Climb just before the top, rather too high than too low.
    """

    noise_n: float
    steepest_n_per_s: float
    at_top_n_per_s: float


def loading_rate(time: Values, force: Values) -> float | None:
    """Least-squares slope over the last rise below the last sample, in newton per second."""
    floor = force[-1] * (1.0 - RATE_WINDOW_FRACTION)
    below = np.flatnonzero(force < floor)
    start = min(int(below[-1]) if below.size else 0, force.size - 2)
    return None if start < 0 else max(_slope(time[start:], force[start:]), 0.0)


def climb_at_top(time: Values, force: Values, noise_n: float, reach_s: float) -> float:
    """Climb at the end of a rise, in N/s: over the shortest window that noise allows.

    Longer windows up to three times as long may only raise it, so that a climb which stiffens to
    the end is not taken too low. ``reach_s`` is the time the climb is to be carried on for.
    """
    if force.size < 2:
        return 0.0
    best, shortest, window = 0.0, None, 2
    while window <= force.size and (shortest is None or window <= 3 * shortest):
        slope = _slope(time[-window:], force[-window:])
        spread = noise_n * math.sqrt(12.0 / window**3) * window / (window - 1)
        uncertain = spread * (window - 1) / (time[-1] - time[-window])
        if shortest is None and uncertain * reach_s > max(0.15 * slope * reach_s, 0.5 * noise_n):
            best = slope + uncertain
        elif shortest is None:
            shortest, best = window, slope + uncertain
        else:
            best = max(best, slope + uncertain)
        window += max(1, window // 3)
    return max(best, 0.0)


def _slope(time: Values, force: Values) -> float:
    moved = time - time.sum() / time.size
    return float(np.dot(moved, force) / np.dot(moved, moved))


def lag_s(filter_hz: float | None) -> float:
    """How long a one-pole filter lags behind a steady climb."""
    return 0.0 if filter_hz is None else 1.0 / (2.0 * math.pi * filter_hz)


def peak_loss(
    time: Values, force: Values, climb: Climb, falls: list[Fall], filter_lag_s: float
) -> float:
    """Bound of how far the true peak may lie above the highest sample, in newton."""
    top = int(np.argmax(force))
    peak = float(force[top])
    gaps = np.diff(time)
    usual = usual_gap_s(time)
    rate = climb.at_top_n_per_s
    if any(min(force[fall.high], force[fall.next_high]) > SAW_FRACTION * peak for fall in falls):
        rate = max(rate, climb.steepest_n_per_s)
    # After any sample the force may have climbed on until just before the next one.
    hidden = force[:-1] + rate * np.maximum(gaps, usual)
    missed = max(float(hidden.max()) - peak, rate * usual)
    return float(missed + rate * filter_lag_s + NOISE_COVER * climb.noise_n)


@dataclass(frozen=True, slots=True)
class PeakFound:
    """The peak of a pull from its trace and the tester's own register.

    Attributes
    ----------
    peak_n, may_be_low_by_n
        The true peak lies between ``peak_n`` and ``peak_n`` plus ``may_be_low_by_n``.
    from_register
        True where the register told more than the trace.
    void_reason
        Set where the two contradict each other.
    """

    peak_n: float
    may_be_low_by_n: float
    from_register: bool
    void_reason: str | None = None


def with_register(
    trace_peak_n: float, may_be_low_by_n: float, register_n: float | None, tolerance_n: float
) -> PeakFound:
    """Join the peak of a trace with the tester's own peak register.

    A tester samples faster inside than it sends, so its register may lie above the trace's peak: as
    far as the trace itself may be low. What the register adds is then no longer missing. Where it
    lies elsewhere, one of the two is wrong, and nobody can say which.

    Parameters
    ----------
    register_n
        In newton; None where the tester has no register.
    tolerance_n
        How far two readings of one force may differ by the tester's noise and last digit.
    """
    if register_n is None:
        return PeakFound(trace_peak_n, may_be_low_by_n, False)
    above_n = register_n - trace_peak_n
    if -tolerance_n <= above_n <= may_be_low_by_n + tolerance_n:
        higher = above_n > 0.0
        left_n = max(may_be_low_by_n - max(above_n, 0.0), 0.0)
        return PeakFound(register_n if higher else trace_peak_n, left_n, higher)
    return PeakFound(
        trace_peak_n,
        may_be_low_by_n,
        False,
        say(
            "the tester's peak register says {register_n:.4g} N where its forces came to "
            "{trace_peak_n:.4g} N and can hide {may_be_low_by_n:.2g} N at most: check the "
            "rate and the filter in its profile, clear the register, and pull a new sample",
            register_n=register_n,
            trace_peak_n=trace_peak_n,
            may_be_low_by_n=may_be_low_by_n,
        ),
    )
