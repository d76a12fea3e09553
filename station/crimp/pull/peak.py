"""The peak of a pull: an estimate with its uncertainty, and what it may hide. Pure.

**The estimate.** The largest of many noisy samples lies above the true peak. The mean of any
neighbouring samples does not, whatever the shape of the top: no force exceeds the peak. So the peak
is taken from the mean of that run of samples which promises the highest force after its own
uncertainty: short where the force climbs straight to a break, long where it is round or held. The
largest of many such means is high again, by about sqrt(2 ln m) of its standard deviation for m
runs that could have been chosen (extreme values of normal variables [memory]; a factor of 1.1 by
simulation); that is taken off. It is low by what the force falls within the run. How slowly the
noise of a smoothing tester averages out is seen at rest before the pull and along a hold; noise
that is slower than these last, or than some 30 ms, is a drift, which ``u`` does not hold.

**What it may hide.** What breaks between two samples was still climbing: at most the climb times
the gap is missed. A filter lags behind a climb by its rate times the lag: 1/(2 pi f) for one pole
at f, half the length of a running average, which is the same for f = 1/(pi T). The climb just
before the top counts; where the force is a saw there, the steepest climb of the whole rise.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.crimp.pull.events import Scatter, scatter_about_parabola, usual_gap_s

Values = NDArray[np.float64]

RATE_WINDOW_FRACTION = 0.15
"""The loading rate is taken over the last rise from this far below the peak up to the peak."""

GUARD = 1.645
"""Normal quantile of the 5 % of samples at their limit that may pass."""

OF_CHOICE = 1.1
"""On the expected largest of several noisy means; set by simulation of long flat holds."""

FINEST_SHARE = 1e-5
"""No force is known better than to this share of itself."""


@dataclass(frozen=True, slots=True)
class Top:
    """The run of samples that the peak is taken from.

    Attributes
    ----------
    peak_n, u_n
        Estimate of the peak and its standard uncertainty, without what was missed.
    first, size
        Number of its first sample, and how many there are.
    """

    peak_n: float
    u_n: float
    first: int
    size: int

    @property
    def middle(self) -> int:
        """Number of the sample in its middle."""
        return self.first + self.size // 2


def _sums(force: Values) -> Values:
    """Sums of ever more forces above the highest, so that a long trace loses no digits."""
    return np.concatenate(([0.0], np.cumsum(force - force.max())))


def _highest_run(sums: Values, size: int) -> tuple[int, float]:
    """First sample of the run of so many samples with the highest mean, and that mean."""
    runs = sums[size:] - sums[:-size]
    first = int(np.argmax(runs))
    return first, float(runs[first]) / size


def find_top(force: Values, scatter: Scatter) -> Top:
    """Estimate the peak from the run of samples that promises the most."""
    highest = float(force.max())
    near = np.flatnonzero(force >= highest - 6.0 * scatter.of_mean(1) - scatter.step_n)
    start, end = int(near[0]), int(near[-1]) + 1
    # A long hold shows itself how slowly its noise averages out.
    scatter = scatter.also(scatter_about_parabola(force[start : int(np.argmax(force)) + 1]))
    sums, best, size = _sums(force[start:end]), None, 1
    while size < sums.size:
        first, below_n = _highest_run(sums, size)
        u_n = scatter.of_mean(size)
        peak_n = highest + below_n - OF_CHOICE * math.sqrt(2.0 * math.log1p(near.size / size)) * u_n
        if best is None or peak_n - GUARD * u_n > best.peak_n - GUARD * best.u_n:
            best = Top(peak_n, u_n, start + first, size)
        size += max(1, size // 4)
    assert best is not None  # noqa: S101
    # Rounding to whole digits is no noise that a mean takes away: GUARD covers half a digit.
    u_n = math.hypot(best.u_n, scatter.step_n / 2.0 / GUARD, FINEST_SHARE * highest)
    return replace(best, u_n=u_n)


def loading_rate(time: Values, force: Values) -> float | None:
    """Least-squares slope over the last rise below the last sample, in newton per second."""
    floor = force[-1] * (1.0 - RATE_WINDOW_FRACTION)
    below = np.flatnonzero(force < floor)
    start = min(int(below[-1]) if below.size else 0, force.size - 2)
    return None if start < 0 else max(_slope(time[start:], force[start:]), 0.0)


def climb_at_top(
    time: Values, force: Values, noise_n: float, reach_s: float, sure_n: float
) -> float:
    """How steep the end of a rise is, in N/s: over the shortest window that noise allows.

    Longer windows up to three times as long may only raise it, so that a climb which stiffens to
    the end is not taken too low. It is to be carried on for ``reach_s``, and ``sure_n`` is how
    uncertain that may be. A force that sinks from its top counts as one that climbs.
    """
    if force.size < 2:
        return 0.0
    best, shortest, window = 0.0, None, 2
    while window <= force.size and (shortest is None or window <= 3 * shortest):
        slope = abs(_slope(time[-window:], force[-window:]))
        spread = noise_n * math.sqrt(12.0 / window**3) * window / (window - 1)
        uncertain = spread * (window - 1) / (time[-1] - time[-window])
        if shortest is None:
            best = slope + uncertain
            if uncertain * reach_s <= max(0.15 * slope * reach_s, sure_n):
                shortest = window
        best = max(best, slope + uncertain)
        window += max(1, window // 3)
    return best


def _slope(time: Values, force: Values) -> float:
    moved = time - time.sum() / time.size
    return float(np.dot(moved, force) / np.dot(moved, moved))


def lag_s(filter_hz: float | None) -> float:
    """How long a one-pole filter lags behind a steady climb."""
    return 0.0 if filter_hz is None else 1.0 / (2.0 * math.pi * filter_hz)


def peak_loss(
    time: Values,
    force: Values,
    top: Top,
    scatter: Scatter,
    at_least_n_per_s: float,
    filter_lag_s: float,
) -> float:
    """Bound of how far the true peak may lie above the estimate, in newton.

    ``at_least_n_per_s`` is how fast it may have climbed there, whatever its last samples show.
    """
    usual_s = usual_gap_s(time)

    def highest_by(size: int) -> tuple[float, float]:
        # A run that ends at the true peak has lost half its own climb, and the gap after it.
        start = max(top.first - top.size, 0)
        around = force[start : top.first + 2 * top.size]
        first, below_n = _highest_run(_sums(around), size)
        end = start + first + size
        rise = slice(_last_below(force[:end], 1.0 - RATE_WINDOW_FRACTION), end)
        reach_s = (size + 1) / 2.0 * usual_s + filter_lag_s
        sure_n = scatter.of_mean(size) / 2.0
        rate = climb_at_top(time[rise], force[rise], scatter.of_mean(1), reach_s, sure_n)
        rate = max(rate, at_least_n_per_s)
        noise_n = scatter.of_mean(size) - scatter.of_mean(top.size)
        return float(around.max()) + below_n + rate * reach_s + 1.96 * noise_n, rate

    # A quarter of the run, since what falls off within the run may do so in a bend.
    by_run, _ = highest_by(max(top.size // 4, 1))
    by_one, rate = highest_by(1)
    hidden_n = float((force[:-1] + rate * np.diff(time)).max() - force.max()) - rate * usual_s
    return max(min(by_one, by_run) + max(hidden_n, 0.0) - top.peak_n, 0.0)


def _last_below(force: Values, share: float) -> int:
    """Number of the last sample before the end that lies below a share of the end's force."""
    below = np.flatnonzero(force < share * force[-1])
    return min(int(below[-1]) if below.size else 0, max(force.size - 2, 0))


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
    far as the trace itself may be low. What it adds beyond the tolerance is no longer missing.
    Where it lies elsewhere, one of the two is wrong, and nobody can say which.

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
        # A register is the largest of many noisy values: what noise may add is no force.
        raised_n = min(max(above_n - tolerance_n, 0.0), may_be_low_by_n)
        left_n = may_be_low_by_n - raised_n
        return PeakFound(trace_peak_n + raised_n, left_n, raised_n > 0.0)
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
