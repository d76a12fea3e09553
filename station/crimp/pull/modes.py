"""How a sample probably let go, from the shape of its trace: a suggestion with its reasons. Pure.

A wrong suggestion primes the person who looks, so that what the shape does not tell is not said.
What it tells, by physics and no standard [common practice, no source]:

- A grip that slips loses force at once, bites, and climbs back at the rig's own stiffness to where
  it was, and on. A strand that breaks cannot: fewer strands are left to carry the load.
- A wire drawn out of its barrel rubs: by Coulomb's law its force falls with the length still
  inside, so along a straight line, or as a saw of stick and slip whose tops sink.
- Strands broken inside the barrel go one by one, over a way like that of the climb.
- A wire that breaks at its own strength has stretched far and rounds off to no slope.
- The metal of a connector breaks at once, on a straight climb, above what soft wire of that size
  could carry. Insulation alone carries a small part of that.

What it cannot tell: a break below the wire's own strength. Strands squeezed by the barrel's edge,
strands nicked while stripping, a weak connector and, on a soft rig, a wire drawn out in one go all
look alike, so that no edge is suggested. Nor the grips from the barrel where a wire is drawn out.
The operator looks at the sample, and what the operator says is what counts.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.crimp.pull.events import Fall, usual_gap_s

Values = NDArray[np.float64]

SLIP_FALL = 0.26
SURE_SLIP_FALL = 0.16
"""Least share of the force lost in a slip; the smaller where it climbs back at full stiffness."""

SLIP_RECOVERS_TO = 0.85
SLIP_CLIMBS_BACK = 0.55
"""Of the highest force so far, and of the steepest climb."""

MAY_SLIP_FALL = 0.07
MAY_RECOVER_TO = 0.97
"""A person is asked where at least this share was lost, and regained, and the force went on to more
than it had been."""

SURELY_MORE = 4.0
"""Standard deviations of noise between two tops of which one is the higher."""

FEW_FALLS = 4
"""More falls are strands or a saw."""

STIFFER_AFTER = 1.15
"""Climb after a slip over the climb before it; a lost strand leaves less than 1."""

STRANDS_GO_SLOWLY = 0.7
STRANDS_GO_TOGETHER = 0.3
"""Time from 0.95 down to 0.15 of the peak, in times of the rise."""

FADES = 0.3
STRAIGHT_FADE = 0.02
STEP_IN_FADE = 0.08
"""Least fall of a force that rubs, how far from a straight line, and the largest step in it, as
shares of the peak."""

FADES_FOR = 0.25
"""Least time of that, in times of the rise: what lets go at once is no fade."""

SAW_TEETH = 4
LONG_SAW = 7
"""Teeth from which on no higher tooth among them is taken for a slip in the grips."""

TOOTH_REGAINS = 0.45
"""Of what a tooth lost: a strand that broke gives nothing back."""

MOSTLY_TEETH = 0.6
"""Of all falls, in a saw."""

LOST_AT_ONCE = 0.2
"""Of the peak, at most, by strands that go one after the other."""

INSULATION_LEVEL = 0.1
JACKET_LEVEL = 0.25
CONNECTOR_LEVEL = 1.09
WIRE_LEVEL = 0.72
"""Shares of the force at which soft wire of the size breaks."""

STRAIGHT_TO_TOP = 0.55
"""Climb near the top, in steepest climbs, of something that does not yield."""

ROUNDED = 0.7
"""Time over the last 5 % of the rise in times of the 15 % before it; a third is a straight line."""


@dataclass(frozen=True, slots=True)
class TraceShape:
    """What the rules look at.

    Attributes
    ----------
    level
        Peak over the breaking force of soft wire of the size; None where the size is not known.
    straight
        Climb from 0.8 to 0.95 of the peak, in steepest climbs.
    rounded
        See :data:`ROUNDED`.
    tail
        See :data:`STRANDS_GO_SLOWLY`.
    first_fall
        Largest share of the peak lost at once on leaving the top.
    fades
        The force fell along a straight line, as what rubs does.
    teeth, saw
        Falls that were regained in part at the rig's stiffness; whether they make most of it.
    slip, may_slip
        Fall that looks like a slip in the grips, and one that may be, as a share of its force; 0.0
        where none does.
    """

    level: float | None
    straight: float
    rounded: float
    tail: float
    first_fall: float
    fades: bool
    teeth: int
    saw: bool
    slip: float
    may_slip: float


def shape_of(
    time: Values,
    force: Values,
    steepest_n_per_s: float,
    falls: list[Fall],
    *,
    soft_break_n: float | None,
    filter_lag_s: float,
    noise_n: float = 0.0,
) -> TraceShape:
    """Measure the shape of a trace whose force climbs and falls again."""
    top = int(np.argmax(force))
    peak = float(force[top])
    climb_s = peak / max(steepest_n_per_s, 1e-12 * peak)
    gap_s = usual_gap_s(time)

    def reached_s(share: float) -> float:
        below = np.flatnonzero(force[: top + 1] < share * peak)
        return float(time[below[-1]] if below.size else time[0])

    def left_s(share: float) -> float:
        return float(time[np.flatnonzero(force >= share * peak)[-1]])

    last_part_s = max(reached_s(0.95) - reached_s(0.8), 0.5 * gap_s)
    # The chain itself needs a sample and some lags to show a fall.
    chain_s = max(2.2 * gap_s, 4.0 * filter_lag_s)
    tail_s = max(0.0, left_s(0.15) - left_s(0.95) - chain_s)
    sure_n = SURELY_MORE * noise_n
    teeth = sum(_is_tooth(time, force, fall, steepest_n_per_s) for fall in falls)
    # A saw whose tops sink is a wire that sticks and slips in its barrel.
    saw = teeth >= max(SAW_TEETH, MOSTLY_TEETH * len(falls))
    grips = [fall for fall in falls if _goes_on(force, fall, sure_n)]
    if saw and teeth >= LONG_SAW:
        grips = []
    slips = [_slip(time, force, fall, steepest_n_per_s) for fall in grips]
    few = grips if len(falls) <= FEW_FALLS else []
    may = [_may_slip(time, force, fall, steepest_n_per_s) for fall in few]
    return TraceShape(
        level=None if soft_break_n is None else peak / soft_break_n,
        straight=0.15 * climb_s / last_part_s,
        rounded=(float(time[top]) - reached_s(0.95)) / last_part_s,
        tail=tail_s / max(float(time[top]) - reached_s(0.2), gap_s),
        first_fall=_first_fall(time, force, left_s(0.8), chain_s),
        fades=_fades(time, force, left_s(0.95) + chain_s, chain_s, noise_n),
        teeth=teeth,
        saw=saw,
        slip=max(slips, default=0.0),
        may_slip=max(may, default=0.0),
    )


def _first_fall(time: Values, force: Values, left_s: float, within_s: float) -> float:
    """Largest loss within a short time around the moment the force leaves the top."""
    near = slice(*np.searchsorted(time, (left_s - within_s, left_s + 1.5 * within_s)))
    times, forces = time[near], force[near]
    later = np.minimum(np.searchsorted(times, times + within_s), times.size - 1)
    return float((forces - forces[later]).max() / force.max()) if times.size else 0.0


def _fades(time: Values, force: Values, from_s: float, step_s: float, noise_n: float) -> bool:
    """Whether the force fell along a straight line after it left the top."""
    peak = float(force.max())
    until_s = time[np.flatnonzero(force >= 0.08 * peak)[-1]]
    times, forces = (values[(time >= from_s) & (time <= until_s)] for values in (time, force))
    if times.size < 8:
        return False
    slope, level = np.polyfit(times - times[0], forces, 1)
    off = float(np.std(forces - level - slope * (times - times[0])))
    steps = forces - forces[np.minimum(np.searchsorted(times, times + step_s), times.size - 1)]
    expected = -slope * step_s
    return bool(
        -slope * (times[-1] - times[0]) > FADES * peak
        and np.sqrt(max(off**2 - noise_n**2, 0.0)) < STRAIGHT_FADE * peak
        and float(steps.max()) < expected + STEP_IN_FADE * peak + 5.0 * noise_n
    )


def _climbs_back(time: Values, force: Values, fall: Fall) -> float:
    """Climb in N/s from the low of a fall to where half of it is regained."""
    high, low = float(force[fall.high]), float(force[fall.low])
    half = low + 0.5 * (min(high, float(force[fall.next_high])) - low)
    at = fall.low + int(np.argmax(force[fall.low : fall.next_high + 1] >= half))
    return (float(force[at]) - low) / max(float(time[at] - time[fall.low]), 1e-12)


def _climbed_before(time: Values, force: Values, fall: Fall) -> float:
    """Climb in N/s up to a fall, over as much force as it lost."""
    high, low = float(force[fall.high]), float(force[fall.low])
    below = np.flatnonzero(force[: fall.high] < low)
    start = int(below[-1]) if below.size else 0
    return (high - float(force[start])) / max(float(time[fall.high] - time[start]), 1e-12)


def _is_tooth(time: Values, force: Values, fall: Fall, steepest_n_per_s: float) -> bool:
    high, low, back = (float(force[i]) for i in (fall.high, fall.low, fall.next_high))
    return bool(
        back < force[: fall.next_high].max()
        and high > 0.2 * force.max()
        and back - low > TOOTH_REGAINS * (high - low)
        and _climbs_back(time, force, fall) > SLIP_CLIMBS_BACK * steepest_n_per_s
    )


def _goes_on(force: Values, fall: Fall, sure_n: float) -> bool:
    """Whether the force went on to more than what it fell from: what rubs never does."""
    high_n = float(force[fall.high])
    return bool(high_n > 0.2 * force.max() and force[fall.low :].max() > high_n + sure_n)


def _slip(time: Values, force: Values, fall: Fall, steepest_n_per_s: float) -> float:
    """Share that a fall lost, where it recovers as a grip does."""
    high, low, back = (float(force[i]) for i in (fall.high, fall.low, fall.next_high))
    lost = (high - low) / high
    rate = (back - low) / float(time[fall.next_high] - time[fall.low])
    as_stiff = rate > SLIP_CLIMBS_BACK * steepest_n_per_s
    recovers = back >= SLIP_RECOVERS_TO * float(force[: fall.high + 1].max())
    return lost if recovers and lost > (SURE_SLIP_FALL if as_stiff else SLIP_FALL) else 0.0


def _may_slip(time: Values, force: Values, fall: Fall, steepest_n_per_s: float) -> float:
    """Share that a fall lost, where its new climb is stiffer than strands left over could be."""
    high, low, back = (float(force[i]) for i in (fall.high, fall.low, fall.next_high))
    lost, before = (high - low) / high, _climbed_before(time, force, fall)
    least = max(SLIP_CLIMBS_BACK * steepest_n_per_s, STIFFER_AFTER * before)
    stiff = _climbs_back(time, force, fall) > least
    return lost if lost > MAY_SLIP_FALL and back >= MAY_RECOVER_TO * high and stiff else 0.0


def suggest(shape: TraceShape) -> tuple[str | None, tuple[str, ...]]:
    """Name the mode that fits the shape, and say why in plain sentences; None where none does."""
    if shape.slip:
        return "grip_slip", (
            say(
                "The force fell by {slip:.0%} at once and climbed back as high: something "
                "slid and held again.",
                slip=shape.slip,
            ),
        )
    if shape.may_slip:
        return None, (
            say(
                "The force fell by {slip:.0%} and climbed back: it may have slipped, look at the "
                "grips.",
                slip=shape.may_slip,
            ),
        )
    level = () if shape.level is None else (_level_words(shape.level),)
    if shape.level is not None and shape.level < INSULATION_LEVEL:
        return "insulation_only", (*level, say("Insulation alone carries that little."))
    if shape.fades and shape.tail > FADES_FOR:
        if shape.level is not None and shape.level < JACKET_LEVEL:
            return None, level
        return "drawn_out", (say("The force faded along a straight line: something rubbed."),)
    if shape.saw:
        return "drawn_out", (
            say("The force sank in a saw of {teeth} teeth: something rubbed.", teeth=shape.teeth),
        )
    if (
        shape.straight > STRAIGHT_TO_TOP
        and shape.level is not None
        and shape.level > CONNECTOR_LEVEL
    ):
        return "connector_broke", (
            say("The force climbed straight up to a clean break: the wire did not stretch."),
            *level,
        )
    return _broken_wire(shape, level)


def _broken_wire(shape: TraceShape, level: tuple[str, ...]) -> tuple[str | None, tuple[str, ...]]:
    strong = shape.level is None or shape.level > WIRE_LEVEL
    if shape.rounded > ROUNDED and strong and shape.tail < STRANDS_GO_TOGETHER:
        return "broke_in_wire", (
            say(
                "The force rounded off to almost no climb before the break: the wire "
                "stretched to its own strength."
            ),
            *level,
        )
    if (
        shape.tail > STRANDS_GO_SLOWLY
        and shape.first_fall < LOST_AT_ONCE
        and not shape.teeth
        and not (strong and shape.level is not None)
    ):
        return "broke_in_barrel", (
            say("The force crumbled bit by bit over a long way: strands went one after the other."),
            *level,
        )
    return None, level


def _level_words(level: float) -> str:
    return say("The peak is {level:.0%} of what soft wire of this size breaks at.", level=level)
