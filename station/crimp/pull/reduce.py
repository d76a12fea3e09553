"""From a force trace to its peak, what the peak may hide, and how the sample let go.

A trace is two arrays of equal length, seconds and newtons, time rising. The peak is an estimate
with its uncertainty, and may be low besides: see :mod:`station.crimp.pull.peak`. How it let go is a
suggestion (:mod:`station.crimp.pull.modes`); what the operator says is what counts.

A slip in the grips voids a pull even where a break followed: the jerk loaded the sample in a way
that no rate describes, and a void costs one more sample while a wrong verdict may cost a joint. A
recording that ends while the force is still up shows only what the sample held at least, so that it
is void unless the force was being held.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.saying import say
from station.crimp.pull.believed import believed, samples_on_rise
from station.crimp.pull.events import (
    falls,
    longest_stretch_s,
    scatter_of,
    steepest_climb,
    usual_gap_s,
)
from station.crimp.pull.modes import shape_of, suggest
from station.crimp.pull.peak import find_top, lag_s, loading_rate, peak_loss
from station.crimp.wire import WireSize, soft_break_force_n
from station.errors import BadInput

MAX_SAMPLES = 20_000_000

SLACK_FRACTION = 0.02
DROP_FRACTION = 0.04
"""A fall of this share of the peak within the trace counts as a drop (a strand, a slip)."""

HOLD_BAND = 0.9
HOLD_LEAST_S = 2.0
"""A force kept above this share of the peak for this long, after a climb, was held."""

STILL_HIGH = 0.5
"""A recording that ends above this share of its peak ended before the sample let go."""

SAW_FRACTION = 0.7
"""Falls that begin and recover above this share of the peak make its top a saw."""

ENOUGH_FOR_SHAPE = 4
"""Samples on the rise below which its shape tells nothing."""

ENOUGH_FOR_NOISE = 50
"""Samples on the rise from which on scatter can be told from teeth."""

FAILURE_MODES = {
    "drawn_out": say("wire drawn out of the barrel"),
    "broke_in_barrel": say("broke inside the barrel"),
    "broke_at_edge": say("broke at the edge of the barrel"),
    "broke_in_wire": say("broke in the free wire"),
    "connector_broke": say("the connector itself broke"),
    "insulation_only": say("only the insulation held or tore"),
    "grip_slip": say("slipped in the grips (void)"),
}
"""How a pull ends, in the operator's words; common usage, not a list of one standard."""

Force = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PullReduction:
    """What a trace says.

    Attributes
    ----------
    peak_n, peak_u_n
        Estimate of the peak and its standard uncertainty by noise and last digit.
    peak_time_s
        Middle of the samples that the peak was taken from.
    loading_rate_n_per_s
        Slope of the rise just before the peak; None where the trace starts at its peak.
    peak_may_be_low_by_n
        Bound of what the estimate misses: between samples, by the filter, by a climb within them.
    drops
        Falls of at least :data:`DROP_FRACTION` of the peak that were followed by a new rise.
    slack_end_s
        When the force began to rise for good; None where it never did.
    ended_by
        ``break`` (force fell away), ``hold`` (kept up, then released or still on), ``truncated``
        (the recording ends with the force up) or ``nothing`` (no force).
    suggested_mode
        How the sample let go, as a suggestion to the operator; None where the trace does not tell.
    void_reason
        Set where the trace cannot be judged.
    reasons
        Why that mode is suggested, in plain sentences.
    held_s
        Longest time at or above the proof force; without one, above :data:`HOLD_BAND` of the peak.
    noise_n
        Standard deviation of a sample, as far as the trace shows it.
    may_have_slipped
        Whether a person is to look at the grips.
    struck_out, lost_samples
        Samples left out because no pull could bring them, and samples missing by the times.
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
    reasons: tuple[str, ...] = ()
    held_s: float = 0.0
    noise_n: float = 0.0
    peak_u_n: float = 0.0
    may_have_slipped: bool = False
    struck_out: int = 0
    lost_samples: int = 0


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
        raise BadInput(
            "The trace has {size} times but {size_2} forces.",
            size=time.size,
            size_2=force.size,
        )
    if time.size < 2:
        raise BadInput("The trace has {size} samples: at least 2 are needed.", size=time.size)
    if time.size > MAX_SAMPLES:
        raise BadInput(
            "The trace has {size} samples: more than {max_samples}.",
            size=time.size,
            max_samples=MAX_SAMPLES,
        )
    for name, values in (("time_s", time), ("force_n", force)):
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise BadInput(f"The trace's {name} is not a number at sample {int(bad[0])}.")
    steps = np.flatnonzero(np.diff(time) <= 0.0)
    if steps.size:
        raise BadInput("The trace's time does not rise at sample {steps}.", steps=int(steps[0]) + 1)
    return time, force


def reduce_trace(
    time_s: ArrayLike,
    force_n: ArrayLike,
    *,
    filter_hz: float | None = None,
    preload_n: float = 2.0,
    wire: WireSize | None = None,
    proof_n: float | None = None,
    resolution_n: float = 0.0,
) -> PullReduction:
    """Reduce a trace to its peak and what surrounds it.

    Parameters
    ----------
    time_s, force_n
        Shape (n,), n at least 2; time rising, tension positive.
    filter_hz
        Corner of a one-pole filter in the tester, where it is known; 1/(pi T) for an average over
        T seconds.
    preload_n
        Force below which nothing is held.
    wire
        The wire, whose own strength helps to tell how it let go.
    proof_n
        The force that was to be held.
    resolution_n
        The tester's last digit, where it is known; a coarser one in the trace counts more.

    Raises
    ------
    BadInput
        The trace is malformed, or a parameter is not a positive number.
    """
    _check_positive(filter_hz=filter_hz, proof_n=proof_n)
    seen = believed(*checked_trace(time_s, force_n))
    time, force = seen.time, seen.force
    top = int(np.argmax(force))
    highest_n = float(force[top])
    if highest_n <= preload_n:
        return _nothing(highest_n, float(time[top]), preload_n)
    slack = _slack_end(force, top, max(preload_n, SLACK_FRACTION * highest_n))
    lag = lag_s(filter_hz)
    low = np.flatnonzero(force[: top + 1] < 0.2 * highest_n)
    steady = slice(min(int(low[-1]) if low.size else 0, max(top - 1, 0)), top + 1)
    scatter = scatter_of(time, force, steady, resolution_n, slack)
    noise_n = scatter.noise_n
    rise = slice(max(slack - 1, 0), top + 1)
    steepest = steepest_climb(time[rise], force[rise], noise_n) or 0.0
    found = falls(force, _least_drop_n(force, top, noise_n))
    ended_by = _ended_by(time, force, highest_n / max(steepest, 1e-12 * highest_n), lag)
    soft_n = None if wire is None else soft_break_force_n(wire)
    shape = shape_of(
        time, force, steepest, found, soft_break_n=soft_n, filter_lag_s=lag, noise_n=noise_n
    )
    told = ended_by == "break" and samples_on_rise(force) >= ENOUGH_FOR_SHAPE
    mode, reasons = suggest(shape) if told or shape.slip or shape.may_slip else (None, ())
    if seen.void_reason is not None:
        mode, reasons = None, ()
    peak = find_top(force, scatter)
    saw = any(min(force[f.high], force[f.next_high]) > SAW_FRACTION * highest_n for f in found)
    to_hold_n = HOLD_BAND * highest_n if proof_n is None else proof_n
    return PullReduction(
        peak_n=peak.peak_n,
        peak_u_n=peak.u_n,
        may_have_slipped=shape.slip + shape.may_slip > 0.0,
        peak_time_s=float(time[peak.middle]),
        loading_rate_n_per_s=loading_rate(time[: top + 1], force[: top + 1]),
        peak_may_be_low_by_n=peak_loss(time, force, peak, scatter, steepest if saw else 0.0, lag),
        drops=len(found),
        slack_end_s=float(time[slack]),
        ended_by=ended_by,
        suggested_mode=mode,
        void_reason=_why_void(force, ended_by, mode) or seen.void_reason,
        reasons=reasons,
        held_s=longest_stretch_s(time, force >= to_hold_n),
        noise_n=noise_n,
        struck_out=seen.struck_out,
        lost_samples=seen.lost_samples,
    )


def _least_drop_n(force: Force, top: int, noise_n: float) -> float:
    peak_n = float(force[top])
    enough = np.count_nonzero(force[: top + 1] > 0.2 * peak_n) >= ENOUGH_FOR_NOISE
    # From the lowest to the highest of so many samples noise alone spans this much.
    span_n = (2.0 * math.sqrt(2.0 * math.log(force.size)) + 1.0) * noise_n
    return max(DROP_FRACTION * peak_n, span_n if enough else 0.0)


def _nothing(peak_n: float, at_s: float, preload_n: float) -> PullReduction:
    reason = say(
        "the force never rose above {preload_n:g} N: no sample in the grips", preload_n=preload_n
    )
    return PullReduction(peak_n, at_s, None, 0.0, 0, None, "nothing", None, reason)


def _check_positive(**values: float | None) -> None:
    for name, value in values.items():
        if value is not None and not value > 0.0:
            raise BadInput(f"The pull's {name} must be above 0, not {value}.")


def _slack_end(force: Force, top: int, threshold: float) -> int:
    """Number of the first sample of the rise that no longer falls back below the threshold."""
    below = np.flatnonzero(force[: top + 1] < threshold)
    return min(int(below[-1]) + 1, top) if below.size else 0


def _ended_by(time: Force, force: Force, climb_s: float, lag: float) -> str:
    """Tell a break from a hold and from a recording cut short.

    ``climb_s`` is the time of a straight climb to the peak: what was held stays up longer than a
    climb takes to pass, and what is let go by hand does not fall at once.
    """
    peak = float(force.max())
    up = np.flatnonzero(force >= HOLD_BAND * peak)
    kept_s = longest_stretch_s(time, force >= HOLD_BAND * peak)
    before = force[: up[0] + 1]
    low, nearly = (np.flatnonzero(before < share * peak) for share in (0.7, HOLD_BAND))
    climbed_s = float(time[nearly[-1]] - time[low[-1]]) if low.size and nearly.size else 0.0
    # A climb that stops at a corner is a machine that stopped; a wire that yields has no corner.
    corner = climbed_s < 2.0 * (HOLD_BAND - 0.7) * climb_s
    held = corner and kept_s >= max(HOLD_LEAST_S, 3.0 * (1.0 - HOLD_BAND) * climb_s)
    if force[-1] >= STILL_HIGH * peak:
        return "hold" if held else "truncated"
    last = np.flatnonzero(force >= 0.1 * peak)[-1]
    gap_s = usual_gap_s(time)
    fall_s = float(time[last] - time[up[-1]])
    released = max(0.2 * climb_s, 4.0 * gap_s + 6.0 * lag) < fall_s < 1.5 * climb_s
    return "hold" if held and released else "break"


def _why_void(force: Force, ended_by: str, mode: str | None) -> str | None:
    peak = float(force.max())
    if force[0] >= 0.95 * peak:
        return say("the recording begins at the peak: start it before the pull and repeat")
    if samples_on_rise(force) < 2:
        return say(
            "the force rose within one sample, so that the peak is not known: pull "
            "more slowly or use a faster tester"
        )
    if mode == "grip_slip":
        return say("the sample slipped in the grips: grip a new one deeper and repeat")
    if ended_by == "truncated":
        return say(
            "the recording ends with {force:g} N still on: the sample held at least "
            "{peak:g} N, but how it ends is not known; record to the end",
            force=force[-1],
            peak=peak,
        )
    return None
