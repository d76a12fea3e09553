"""How a sample probably let go, from the shape of its trace: a suggestion with its reasons. Pure.

What the shape tells, by physics and no standard [common practice, no source]:

- A grip that slips loses force at once, bites, and climbs back to about where it was at the rig's
  own stiffness. A strand that breaks cannot: fewer strands are left to carry the load.
- A wire drawn out of its barrel loses part of its force at once and rubs for the rest of the way.
- Strands broken inside the barrel go one by one, some before the top, over a long way.
- A wire that breaks at its own strength has stretched far and rounds off to no slope; at the
  barrel's edge it breaks sooner, while the force still climbs.
- The metal of a connector breaks at once, on a straight climb, above what soft wire of that size
  could carry. Insulation alone carries a small part of that and stretches far.

What it cannot tell: a wire pulled out of the grips in one go looks like one drawn out of the
barrel; a strand nicked while stripping looks like one squeezed by the barrel's edge; a connector
that breaks below the wire's strength looks like a wire breaking at the edge; without the wire size
a stretched jacket looks like a stretched wire. Below some 500 samples a second single strands are
not seen, so that no rule counts them. The operator looks at the sample, and what the operator says
is what counts.
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

LONG_TAIL = 0.5
STRANDS_GO_SLOWLY = 1.0
"""Time from 0.95 down to 0.15 of the peak, in times of a straight climb to the peak."""

SLOW_TO_LEAVE_TOP = 0.03
"""Time from 0.95 down to 0.8 of the peak, less what the chain takes, in the same times."""

RUBS_AFTER = (0.17, 0.8)
"""Share of the peak lost at once by a wire that goes on rubbing."""

STILL_RUBS = 0.17
"""Share of the peak still on where the recording ends."""

INSULATION_LEVEL = 0.27
CONNECTOR_LEVEL = 1.09
EDGE_LEVEL = 0.62
"""Shares of the force at which soft wire of the size breaks."""

STRAIGHT_TO_TOP = 0.55
"""Climb near the top, in steepest climbs, of something that does not yield."""

ROUNDED = 0.58
"""Time over the last 5 % of the rise in times of the 15 % before it; a third is a straight line."""


@dataclass(frozen=True, slots=True)
class TraceShape:
    """What the rules look at; times are in times of a straight climb to the peak.

    Attributes
    ----------
    level
        Peak over the breaking force of soft wire of the size; None where the size is not known.
    straight
        Climb from 0.8 to 0.95 of the peak, in steepest climbs.
    rounded
        See :data:`ROUNDED`.
    tail, leaves_top
        See :data:`LONG_TAIL` and :data:`SLOW_TO_LEAVE_TOP`.
    first_fall
        Largest share of the peak lost at once on leaving the top.
    left_on
        Share of the peak still on at the end of the recording.
    slip
        Fall that looks like a slip in the grips, as a share of its force; 0.0 where none does.
    """

    level: float | None
    straight: float
    rounded: float
    tail: float
    leaves_top: float
    first_fall: float
    left_on: float
    slip: float


def shape_of(
    time: Values,
    force: Values,
    steepest_n_per_s: float,
    falls: list[Fall],
    *,
    soft_break_n: float | None,
    filter_lag_s: float,
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
    return TraceShape(
        level=None if soft_break_n is None else peak / soft_break_n,
        straight=0.15 * climb_s / last_part_s,
        rounded=(float(time[top]) - reached_s(0.95)) / last_part_s,
        tail=(left_s(0.15) - left_s(0.95)) / climb_s,
        # The chain itself needs a sample and some lags to show a fall.
        leaves_top=max(0.0, left_s(0.8) - left_s(0.95) - gap_s - 2.0 * filter_lag_s) / climb_s,
        first_fall=_first_fall(time, force, left_s(0.8), max(2.2 * gap_s, 4.0 * filter_lag_s)),
        left_on=float(np.median(force[-5:])) / peak,
        slip=_slip(time, force, falls, steepest_n_per_s),
    )


def _first_fall(time: Values, force: Values, left_s: float, within_s: float) -> float:
    """Largest loss within a short time around the moment the force leaves the top."""
    near = slice(*np.searchsorted(time, (left_s - within_s, left_s + 1.5 * within_s)))
    times, forces = time[near], force[near]
    later = np.minimum(np.searchsorted(times, times + within_s), times.size - 1)
    return float((forces - forces[later]).max() / force.max()) if times.size else 0.0


def _slip(time: Values, force: Values, falls: list[Fall], steepest_n_per_s: float) -> float:
    """Deepest fall that recovers as a grip does, as a share of the force it fell from."""
    highest = np.maximum.accumulate(force)
    peak = float(highest[-1])
    deepest = 0.0
    for fall in falls:
        high, low, back = (float(force[i]) for i in (fall.high, fall.low, fall.next_high))
        if high < 0.2 * peak or back < SLIP_RECOVERS_TO * highest[fall.high]:
            continue
        lost = (high - low) / high
        rate = (back - low) / float(time[fall.next_high] - time[fall.low])
        as_stiff = rate > SLIP_CLIMBS_BACK * steepest_n_per_s
        if lost > (SURE_SLIP_FALL if as_stiff else SLIP_FALL):
            deepest = max(deepest, lost)
    return deepest


def suggest(shape: TraceShape) -> tuple[str, tuple[str, ...]]:
    """Name the mode that fits the shape best, and say why in plain sentences."""
    if shape.slip:
        return "grip_slip", (
            say(
                "The force fell by {slip:.0%} at once and climbed back as high: something "
                "slid and held again.",
                slip=shape.slip,
            ),
        )
    if _rubs_after_a_fall(shape):
        return "drawn_out", (
            say(
                "The force lost {first_fall:.0%} at once, then faded slowly: something rubbed.",
                first_fall=shape.first_fall,
            ),
        )
    level = () if shape.level is None else (_level_words(shape.level),)
    if shape.level is not None and shape.level < INSULATION_LEVEL:
        return "insulation_only", (*level, say("Insulation alone carries that little."))
    if shape.tail > STRANDS_GO_SLOWLY and shape.first_fall < RUBS_AFTER[1]:
        return "broke_in_barrel", (
            say("The force crumbled bit by bit over a long way: strands went one after the other."),
            *level,
        )
    if shape.straight > STRAIGHT_TO_TOP and (shape.level is None or shape.level > CONNECTOR_LEVEL):
        return "connector_broke", (
            say("The force climbed straight up to a clean break: the wire did not stretch."),
            *level,
        )
    return _broken_wire(shape, level)


def _rubs_after_a_fall(shape: TraceShape) -> bool:
    return (
        (shape.tail > LONG_TAIL or shape.left_on > STILL_RUBS)
        and shape.leaves_top < SLOW_TO_LEAVE_TOP
        and RUBS_AFTER[0] < shape.first_fall < RUBS_AFTER[1]
    )


def _broken_wire(shape: TraceShape, level: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    if shape.rounded > ROUNDED:
        return "broke_in_wire", (
            say(
                "The force rounded off to almost no climb before the break: the wire "
                "stretched to its own strength."
            ),
            *level,
        )
    if shape.level is not None and shape.level < EDGE_LEVEL:
        return "broke_in_barrel", (
            say("The force broke off while it still climbed, far below the wire's own strength."),
            *level,
        )
    return "broke_at_edge", (
        say("The force broke off while it still climbed: the wire was weakened where it broke."),
        *level,
    )


def _level_words(level: float) -> str:
    return say("The peak is {level:.0%} of what soft wire of this size breaks at.", level=level)
