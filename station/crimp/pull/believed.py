"""Which samples of a trace can be believed, before anything is made of them. Pure.

A force on a line of bytes may be changed on its way, and a line that lost its neighbours may be
glued to another: one sample then says what no pull could bring. A joint lets go at once, but it
climbs only as fast as it is pulled. So a climb is not believed where nothing else in the same trace
climbs nearly as fast, nor is a sample that the force before does not lead up to and that the next
one does not confirm. Such a sample is struck out and counted. Where the top itself rests on it, or
where lost samples could hide a higher top, the pull is void: nobody can say what it held.

What this cannot see: a wrong sample within the scatter of its neighbours, and one at a break that
only carries on a climb of few samples. A checksum or a peak register sees those. The thresholds are
common practice, no source, and were tried on pulls drawn at random (``tests/benchmarks``).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.crimp.pull.events import usual_gap_s

Values = NDArray[np.float64]

LEAST_SHARE = 0.04
"""A step below this share of the peak is never odd, and lost samples may hide as much."""

LEAST_NOISES = 6.0
LEAST_DIGITS = 1.5
"""Likewise in standard deviations of a sample, and in steps of the last digit."""

JUMP_TIMES = 3.0
ALONE_TIMES = 2.0
"""A climb, or one that the next sample does not confirm, is odd from so many times the
third-largest of its kind: the two largest may belong to one fault."""

LEAVES_SLACK = 0.7
MANY = 20
"""A climb that stays up is odd only where it ends above this share of the peak, and with so many
samples on the rise: a stiff wire may leave its slack within one sample, and then yields."""

LEADS_UP = 1.5
"""The force may go on at so many times its climb over the last :data:`BEFORE` samples."""

BEFORE = 3
ENOUGH = 4
"""Samples on the rise below which one cannot be told wrong by its neighbours."""

MOST_STRUCK = 3
GAP = 1.8
"""From so many times the usual gap on, samples were lost."""


@dataclass(frozen=True, slots=True)
class Believed:
    """A trace without what cannot be believed.

    Attributes
    ----------
    time, force
        Seconds and newtons, shape (n,) each: all samples where the pull is void.
    struck_out
        Samples left out.
    lost_samples
        Samples missing by the gaps in time, those struck out not counted.
    void_reason
        Set where what is missing or odd decides the peak.
    """

    time: Values
    force: Values
    struck_out: int = 0
    lost_samples: int = 0
    void_reason: str | None = None


def believed(time: Values, force: Values) -> Believed:
    """Strike out what no pull could bring; ``time`` rises, shape (n,) as ``force``, n >= 2."""
    usual = usual_gap_s(time)
    lost = _lost(time, usual)
    kept = np.ones(force.size, dtype=np.bool_)
    for struck in range(MOST_STRUCK + 1):
        times, forces = (time[kept], force[kept]) if struck else (time, force)
        least_n = _least_n(forces)
        odd = _odd(times, forces, usual, least_n)
        if odd is None:
            why = _why_void(times, forces, usual, least_n)
            if why is not None:
                return Believed(time, force, struck, lost, why)
            return Believed(times, forces, struck, lost)
        bad = _alone(forces, odd, least_n)
        if bad is None or struck == MOST_STRUCK or samples_on_rise(np.delete(forces, bad)) < ENOUGH:
            return Believed(time, force, struck, lost, _jumps(forces, odd))
        kept[np.flatnonzero(kept)[bad]] = False
    raise AssertionError("the last round returns")


def _lost(time: Values, usual: float) -> int:
    """Samples missing by the gaps; what came early makes up for what came late."""
    steps = np.rint(np.diff(time) / usual)
    wide = np.diff(time) >= GAP * usual
    return max(0, int((steps[wide] - 1.0).sum() - np.count_nonzero(steps < 1.0)))


def _least_n(force: Values) -> float:
    steps = np.abs(np.diff(force))
    digit = float(steps[steps > 0.0].min(initial=np.inf)) if steps.any() else 0.0
    # A median, so that neither a break nor what is to be found here counts as noise.
    bends = np.abs(np.diff(force, 2))
    noise_n = float(np.median(bends)) / (0.6745 * 6.0**0.5) if bends.size else 0.0
    return max(LEAST_SHARE * float(force.max()), LEAST_NOISES * noise_n, LEAST_DIGITS * digit)


def _led_to(time: Values, force: Values) -> Values:
    """Climb per second over the samples before each but the first, shape (n - 1,); never < 0."""
    first = np.maximum(np.arange(force.size - 1) - BEFORE, 0)
    last = np.arange(force.size - 1)
    over_s = np.where(last > first, time[last] - time[first], np.inf)
    return np.maximum((force[last] - force[first]) / over_s, 0.0)


def _odd(time: Values, force: Values, usual: float, least_n: float) -> int | None:
    """Number of the oddest sample up to the top, by the step that leads to it; None if none is."""
    gaps = np.diff(time)
    steps = np.maximum(gaps / usual, 1.0)
    rise = np.diff(force) / steps
    beyond = np.diff(force) - LEADS_UP * _led_to(time, force) * gaps
    # The next sample confirms a force that stays up.
    confirmed = np.append(force[2:] > force[1:-1] - least_n, False)
    beyond = np.where(confirmed, 0.0, beyond)
    jumps = rise - np.maximum(JUMP_TIMES * _third(rise), least_n / steps)
    from_dip = np.append(False, force[1:-1] < force[:-2] - least_n)
    stays = (samples_on_rise(force) >= MANY) & (force[1:] > LEAVES_SLACK * force.max())
    jumps = np.where(from_dip | stays, jumps, 0.0)
    excess = np.maximum(jumps, beyond - np.maximum(ALONE_TIMES * _third(beyond), least_n))
    # What comes after the top cannot raise it.
    excess = excess[: int(np.argmax(force))]
    worst = int(np.argmax(excess)) if excess.size else 0
    return worst + 1 if excess.size and excess[worst] > 0.0 else None


def _third(values: Values) -> float:
    if values.size < 3:
        return 0.0
    return max(0.0, float(np.partition(values, -3)[-3]))


def _alone(force: Values, odd: int, least_n: float) -> int | None:
    """Number of the one sample that makes the step odd; None where the force stays at its level."""
    before, after = odd - 1, odd + 1
    if before >= 1 and force[before] < force[before - 1] - least_n:
        return before
    if after < force.size and force[after] < force[odd] - least_n:
        return odd
    return None


def samples_on_rise(force: Values) -> int:
    """How many samples show the rise to the top, from a tenth of it on."""
    rise = force[: int(np.argmax(force)) + 1]
    return int(np.count_nonzero(rise > 0.1 * rise[-1]))


def _jumps(force: Values, odd: int) -> str:
    return say(
        "the force jumps from {before_n:.4g} to {after_n:.4g} N between two samples, as nothing "
        "else in this pull does: look at cable and line settings, pull evenly, and repeat",
        before_n=float(force[odd - 1]),
        after_n=float(force[odd]),
    )


def _why_void(time: Values, force: Values, usual: float, least_n: float) -> str | None:
    """Say so where samples that are missing could hide a top higher by more than ``least_n``."""
    gaps = np.diff(time)
    reached = force[:-1] + LEADS_UP * _led_to(time, force) * gaps
    hidden = np.where(gaps >= GAP * usual, reached, -np.inf)
    above_n = float(hidden.max()) - float(force.max())
    if above_n <= least_n:
        return None
    return say(
        "samples around the peak were lost or cannot be believed, and may hide {above_n:.3g} N: "
        "look at cable and line settings, and repeat",
        above_n=above_n,
    )
