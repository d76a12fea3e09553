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

AS_HIGH_AGAIN = 0.9
"""A person is asked, too, where what looks like a slip climbed back to this, and no further."""

SURELY_MORE = 4.0
"""Standard deviations of noise between two tops of which one is the higher."""

STIFFER_AFTER = 1.15
"""Climb after a slip over the climb before it; a lost strand leaves less than 1."""

FEW_FALLS = 4
"""So many teeth make a saw, and more falls than that are strands or a saw."""

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

TOOTH_REGAINS = 0.45
MOSTLY_TEETH = 0.6
"""Of what a tooth lost: a strand that broke gives nothing back. Of all falls, teeth in a saw."""

LONG_SAW = 7
"""Teeth from which on no higher one among them is taken for a slip in the grips."""

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
    # Shares are of a force that was there: what turns at rest, about nothing, has none.
    turns = [_turn(time, force, fall) for fall in falls if force[fall.high] > 0.0]
    stiff = SLIP_CLIMBS_BACK * steepest_n_per_s
    teeth = sum(
        turn.sinks and turn.regained > TOOTH_REGAINS and turn.rate > stiff for turn in turns
    )
    # A saw whose tops sink is a wire that sticks and slips in its barrel: it never goes on to more.
    saw = teeth >= max(FEW_FALLS, MOSTLY_TEETH * len(falls))
    turns = [] if saw and teeth >= LONG_SAW else turns
    deep = [t for t in turns if t.recovers and t.lost > t.least_lost(stiff)]
    more = [t for t in turns if t.on_n > SURELY_MORE * noise_n]
    sure = (t.lost for t in deep if t in more)
    # A wire that bites again in its barrel climbs back too, but not to more: a person is asked.
    doubts = [t for t in deep if t.back >= AS_HIGH_AGAIN]
    doubts += [t for t in more if t.may_be_slip(stiff)]
    may = (t.lost for t in doubts if len(falls) <= FEW_FALLS)
    return TraceShape(
        level=None if soft_break_n is None else peak / soft_break_n,
        straight=0.15 * climb_s / last_part_s,
        rounded=(float(time[top]) - reached_s(0.95)) / last_part_s,
        tail=tail_s / max(float(time[top]) - reached_s(0.2), gap_s),
        first_fall=_first_fall(time, force, left_s(0.8), chain_s),
        fades=_fades(time, force, left_s(0.95) + chain_s, chain_s, noise_n),
        teeth=teeth,
        saw=saw,
        slip=max(sure, default=0.0),
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


@dataclass(frozen=True, slots=True)
class _Turn:
    """A fall and the climb after it: shares of the force it fell from, climbs in N/s."""

    lost: float
    back: float
    regained: float
    """Of what was lost."""
    rate: float
    mean_rate: float
    rate_before: float
    """Up to where half is regained, over all of the new climb, and before as much was lost."""
    recovers: bool
    sinks: bool
    on_n: float
    """How far the force went on later above what it fell from."""

    def least_lost(self, stiff: float) -> float:
        return SURE_SLIP_FALL if self.mean_rate > stiff else SLIP_FALL

    def may_be_slip(self, stiff: float) -> bool:
        stiffer = self.rate > max(stiff, STIFFER_AFTER * self.rate_before)
        return self.lost > MAY_SLIP_FALL and self.back >= MAY_RECOVER_TO and stiffer


def _turn(time: Values, force: Values, fall: Fall) -> _Turn:
    high, low, back = (float(force[i]) for i in (fall.high, fall.low, fall.next_high))
    # What turns far below the peak is no slip and no tooth.
    counts = high > 0.2 * force.max()
    half = fall.low + int(
        np.argmax(force[fall.low : fall.next_high + 1] >= (low + min(high, back)) / 2.0)
    )
    below = np.flatnonzero(force[: fall.high] < low)
    start = int(below[-1]) if below.size else 0

    def rate(first: int, last: int) -> float:
        return float(force[last] - force[first]) / max(float(time[last] - time[first]), 1e-12)

    return _Turn(
        lost=(high - low) / high,
        back=back / high,
        regained=(back - low) / (high - low),
        rate=rate(fall.low, half),
        mean_rate=rate(fall.low, fall.next_high),
        rate_before=rate(start, fall.high),
        recovers=back >= SLIP_RECOVERS_TO * float(force[: fall.high + 1].max()),
        sinks=counts and back < float(force[: fall.next_high].max()),
        on_n=float(force[fall.low :].max()) - high if counts else 0.0,
    )


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
    known = 0.0 if shape.level is None else shape.level
    if shape.straight > STRAIGHT_TO_TOP and known > CONNECTOR_LEVEL:
        return "connector_broke", (
            say("The force climbed straight up to a clean break: the wire did not stretch."),
            *level,
        )
    weak = known < WIRE_LEVEL
    if shape.rounded > ROUNDED and shape.tail < STRANDS_GO_TOGETHER and not (weak and level):
        return "broke_in_wire", (
            say(
                "The force rounded off to almost no climb before the break: the wire "
                "stretched to its own strength."
            ),
            *level,
        )
    in_turn = shape.tail > STRANDS_GO_SLOWLY and shape.first_fall < LOST_AT_ONCE
    if in_turn and weak and not shape.teeth:
        return "broke_in_barrel", (
            say("The force crumbled bit by bit over a long way: strands went one after the other."),
            *level,
        )
    return None, level


def _level_words(level: float) -> str:
    return say("The peak is {level:.0%} of what soft wire of this size breaks at.", level=level)
