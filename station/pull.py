"""From a force trace to its peak, what the peak may hide, and how the crimp let go.

A trace is two arrays of equal length, seconds and newtons, time rising. The peak of a sampled trace
is one-sided low: the true one may lie between two samples or be rounded by a filter, by at most the
loading rate over the sample rate plus the loading rate times the filter's lag.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from station.errors import BadInput

MAX_SAMPLES = 20_000_000
RATE_WINDOW_FRACTION = 0.15
"""The loading rate is taken over the last rise from this far below the peak up to the peak."""

SLACK_FRACTION = 0.02
DROP_FRACTION = 0.04
"""A fall of this share of the peak within the trace counts as a drop (a strand, a slip)."""

FAILURE_MODES = {
    "drawn_out": "wire drawn out of the barrel",
    "broke_in_barrel": "broke inside the barrel",
    "broke_at_edge": "broke at the edge of the barrel",
    "broke_in_wire": "broke in the free wire",
    "connector_broke": "the connector itself broke",
    "insulation_only": "only the insulation held or tore",
    "grip_slip": "slipped in the grips (void)",
}
"""How a pull ends, in the operator's words; common usage, not a list of one standard."""

Force = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PullReduction:
    """What a trace says.

    Attributes
    ----------
    peak_n, peak_time_s
        The highest sample.
    loading_rate_n_per_s
        Slope of the rise just before the peak; None where the trace starts at its peak.
    peak_may_be_low_by_n
        Bound of the one-sided loss by sampling and filtering.
    drops
        Falls of at least :data:`DROP_FRACTION` of the peak that were followed by a new rise.
    slack_end_s
        When the force began to rise for good; None where it never did.
    ended_by
        ``break`` (force fell away), ``hold`` (still held at the end) or ``nothing`` (no force).
    suggested_mode
        How the crimp let go, as a suggestion to the operator; None where the trace does not tell.
    void_reason
        Set where the trace cannot be judged.
    """

    peak_n: float
    peak_time_s: float
    loading_rate_n_per_s: float | None
    peak_may_be_low_by_n: float
    drops: int
    slack_end_s: float | None
    ended_by: str
    suggested_mode: str | None
    void_reason: str | None


def checked_trace(time_s: ArrayLike, force_n: ArrayLike) -> tuple[Force, Force]:
    """Trace as two float arrays.

    Raises
    ------
    BadInput
        Empty, of unequal length, not numbers, or time that does not rise.
    """
    try:
        time = np.asarray(time_s, dtype=np.float64)
        force = np.asarray(force_n, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise BadInput("The trace holds something that is not a number.") from error
    if time.ndim != 1 or time.shape != force.shape:
        raise BadInput(f"The trace has {time.size} times but {force.size} forces.")
    if time.size < 2:
        raise BadInput(f"The trace has {time.size} samples: at least 2 are needed.")
    if time.size > MAX_SAMPLES:
        raise BadInput(f"The trace has {time.size} samples: more than {MAX_SAMPLES}.")
    for name, values in (("time_s", time), ("force_n", force)):
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise BadInput(f"The trace's {name} is not a number at sample {int(bad[0])}.")
    steps = np.flatnonzero(np.diff(time) <= 0.0)
    if steps.size:
        raise BadInput(f"The trace's time does not rise at sample {int(steps[0]) + 1}.")
    return time, force


def reduce_trace(
    time_s: ArrayLike,
    force_n: ArrayLike,
    *,
    filter_hz: float | None = None,
    preload_n: float = 2.0,
) -> PullReduction:
    """Reduce a trace to its peak and what surrounds it.

    Parameters
    ----------
    time_s, force_n
        Shape (n,), n at least 2; time rising, tension positive.
    filter_hz
        Corner of a one-pole filter in the tester, where it is known.
    preload_n
        Force below which nothing is held.

    Raises
    ------
    BadInput
        The trace is malformed.
    """
    time, force = checked_trace(time_s, force_n)
    top = int(np.argmax(force))
    peak = float(force[top])
    if peak <= preload_n:
        return PullReduction(
            peak,
            float(time[top]),
            None,
            0.0,
            0,
            None,
            "nothing",
            None,
            f"the force never rose above {preload_n:g} N: no sample in the grips",
        )
    rate = _loading_rate(time[: top + 1], force[: top + 1])
    ended_by = "break" if float(force[-1]) < 0.5 * peak else "hold"
    drops = _drops(force, DROP_FRACTION * peak)
    return PullReduction(
        peak_n=peak,
        peak_time_s=float(time[top]),
        loading_rate_n_per_s=rate,
        peak_may_be_low_by_n=_peak_loss(time, top, rate, filter_hz),
        drops=drops,
        slack_end_s=_slack_end(time, force, top, max(preload_n, SLACK_FRACTION * peak)),
        ended_by=ended_by,
        suggested_mode=_suggest(time, force, top) if ended_by == "break" else None,
        void_reason=None,
    )


def _loading_rate(time: Force, force: Force) -> float | None:
    """Least-squares slope over the last rise below the peak, in newton per second."""
    floor = force[-1] * (1.0 - RATE_WINDOW_FRACTION)
    below = np.flatnonzero(force < floor)
    start = min(int(below[-1]) if below.size else 0, force.size - 2)
    if start < 0:
        return None
    t = time[start:] - time[start:].mean()
    slope = float(np.dot(t, force[start:]) / np.dot(t, t))
    return max(slope, 0.0)


def _peak_loss(time: Force, top: int, rate: float | None, filter_hz: float | None) -> float:
    if rate is None:
        return 0.0
    # A sudden break can come at any instant after the highest sample, up to the next one.
    gap = float(time[min(top + 1, time.size - 1)] - time[max(top - 1, 0)])
    gap /= 2.0 if 0 < top < time.size - 1 else 1.0
    lag = 0.0 if filter_hz is None else 1.0 / (2.0 * math.pi * filter_hz)
    return rate * (gap + lag)


def _slack_end(time: Force, force: Force, top: int, threshold: float) -> float | None:
    below = np.flatnonzero(force[: top + 1] < threshold)
    if not below.size:
        return float(time[0])
    return float(time[min(int(below[-1]) + 1, top)])


def _drops(force: Force, least: float) -> int:
    """Falls of at least ``least`` that are followed by a rise of half as much."""
    count, high, low = 0, float(force[0]), float(force[0])
    falling = False
    for value in force.tolist():
        if falling:
            low = min(low, value)
            if value > low + least / 2.0:
                count += 1
                falling, high = False, value
        elif value > high:
            high = value
        elif value < high - least:
            falling, low = True, value
    return count


def _suggest(time: Force, force: Force, top: int) -> str | None:
    """Sudden loss of nearly all force speaks for a break, a long tail for drawing out."""
    peak = float(force[top])
    after = force[top:]
    still = np.flatnonzero(after > 0.2 * peak)
    tail_s = float(time[top + int(still[-1])] - time[top])
    rise_s = float(time[top] - time[0])
    return "drawn_out" if tail_s > max(0.25 * rise_s, 0.3) else "broke_at_edge"
