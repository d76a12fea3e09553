"""Verdicts with a guard band: how sure one may be that a value meets a limit.

A value passes only if it beats the limit by ``guard`` standard uncertainties, fails only if it
misses by as much, and is undecided between (JCGM 106:2012, guarded acceptance and rejection;
ISO 14253-1). ``guard`` is a one-sided normal factor; with few degrees of freedom the Student factor
of the same probability takes its place, so that the promised risk is kept.
"""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Literal, get_args

import numpy as np
from scipy.special import ndtr, stdtr

from calibration.saying import join, say
from calibration.uncertainty import coverage_factor
from station.crimp.in_force import Judged
from station.crimp.limits import FORCES, Limit
from station.crimp.pull import PullEnd
from station.errors import BadInput

DEFAULT_GUARD = 1.645
"""One-sided 95 %: a value just inside the guard band is wrong once in twenty."""

_LOSS_STEPS = 1000
"""Midpoints over the possible loss: error below 1e-6 for a loss of up to 5 u."""


PEAK_IS_NO_HOLD = say("The limit is stated for a force that is held; a peak is not a hold.")
NOT_HELD = say("It was not held for as long as the limit asks.")
BORE_NO_MORE = say("It was not pulled to its limit: what it bears beyond this force is not known.")


class Verdict(StrEnum):
    """What can be said of a sample. Void means that the test, not the crimp, was bad."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    UNDECIDED = "undecided"
    VOID = "void"


VERDICT_WORDS = {
    "pass": say("Pass"),
    "fail": say("Fail"),
    "undecided": say("Undecided"),
    "void": say("Void"),
}

Part = Literal["looks", "pull", "resistance", "height", "width"]
"""What has to be judged before a sample passes; its size where a data sheet is for its joint."""

PART_WORDS: dict[str, str] = {
    "looks": say("looks"), "pull": say("pull"), "resistance": say("resistance"),
    "height": say("crimp height"), "width": say("crimp width"),
}  # fmt: skip

_SIZES: dict[str, Part] = {"crimp_height": "height", "crimp_width": "width"}


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value and its standard uncertainty in one unit; None where that is not known.

    The true value lies up to ``may_be_low_by`` above ``value`` (a peak between two samples).
    ``end`` says of a pull how it was made, ``held_s`` for how long its force was held.
    """

    value: float
    u: float | None = None
    dof: float = math.inf
    may_be_low_by: float = 0.0
    end: PullEnd = "destructive"
    held_s: float | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict, and the value and standard uncertainty it is about; None where not measured.

    ``probability_conforming`` is that of the true value to meet the limit; None if unknown.
    ``note`` says, in a sentence, where value and limit are not quite the same thing.
    """

    verdict: Verdict
    probability_conforming: float | None = None
    value: float | None = None
    u: float | None = None
    note: str = ""


def guard_factor(guard: float, dof: float = math.inf) -> float:
    """Student factor that keeps the risk of the normal factor ``guard``.

    Degrees of freedom are cut to a whole number, as JCGM 100:2008, G.4.1 allows: the Welch-
    Satterthwaite figure is itself an estimate, and the cut keeps the risk on the safe side.
    """
    if guard < 0.0 or not math.isfinite(guard):
        raise ValueError(f"the guard factor must be finite and not negative: {guard}")
    if math.isinf(dof):
        return guard
    return coverage_factor(float(ndtr(guard)), max(1.0, math.floor(dof + 1e-9)))


def judge_at_least(
    value: float,
    u: float | None,
    limit: float,
    *,
    guard: float = DEFAULT_GUARD,
    dof: float = math.inf,
    may_be_low_by: float = 0.0,
) -> Judgement:
    """Judge a value that must reach a lower limit, such as a pull force.

    Parameters
    ----------
    value, u, limit
        In one unit; ``u`` is the standard uncertainty, None or 0 for simple acceptance.
    guard
        Guard factor; 0 for simple acceptance.
    dof
        Effective degrees of freedom of ``u``.
    may_be_low_by
        The true value lies up to this much above ``value`` (a peak between two samples). A pass
        does not count on it, a fail must allow for it.
    """
    if may_be_low_by < 0.0:
        raise ValueError(f"may_be_low_by must not be negative: {may_be_low_by}")
    spread = u or 0.0
    band = guard_factor(guard, dof) * spread
    if value - band >= limit:
        verdict = Verdict.PASS
    elif value + may_be_low_by + band < limit:
        verdict = Verdict.FAIL
    else:
        verdict = Verdict.UNDECIDED
    if u is None:
        return Judgement(verdict, None, value)
    probability = _probability_above(value - limit, spread, dof, may_be_low_by)
    return Judgement(verdict, probability, value, u)


def judge_at_most(
    value: float,
    u: float | None,
    limit: float,
    *,
    guard: float = DEFAULT_GUARD,
    dof: float = math.inf,
) -> Judgement:
    """Judge a value that must not exceed an upper limit, such as a resistance.

    Parameters are those of :func:`judge_at_least`.
    """
    return replace(judge_at_least(-value, u, -limit, guard=guard, dof=dof), value=value)


def judge_within(
    value: float,
    u: float | None,
    target: float,
    tolerance: float,
    *,
    guard: float = DEFAULT_GUARD,
    dof: float = math.inf,
) -> Judgement:
    """Judge a value that may be off its target by a tolerance on either side, such as a height.

    Guard bands on both sides (JCGM 106:2012, 8.3 [memory]). The probability of conforming is that
    between the two limits, Phi((high - value) / u) - Phi((low - value) / u) (7.4 [memory]). Where
    the tolerance is narrow both tails count, so a pass asks besides that this probability reach the
    one that the guard factor promises. Other parameters are those of :func:`judge_at_least`.
    """
    low = judge_at_least(value, u, target - tolerance, guard=guard, dof=dof)
    high = judge_at_most(value, u, target + tolerance, guard=guard, dof=dof)
    verdict = worst((low.verdict, high.verdict))
    above, below = low.probability_conforming, high.probability_conforming
    if above is None or below is None:
        return Judgement(verdict, None, value)
    probability = max(0.0, above + below - 1.0)
    if verdict is Verdict.PASS and guard > 0.0 and probability < ndtr(guard) - 1e-9:
        verdict = Verdict.UNDECIDED
    return Judgement(verdict, probability, value, u)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Verdict of a sample from those of its criteria: void, then fail, undecided, pass.

    No criteria at all is undecided: nothing was shown.
    """
    found = set(verdicts)
    for verdict in (Verdict.VOID, Verdict.FAIL, Verdict.UNDECIDED):
        if verdict in found:
            return verdict
    return Verdict.PASS if found else Verdict.UNDECIDED


def parts_not_judged(
    criteria: Iterable[tuple[str, float | None]], *, looked: bool
) -> tuple[Part, ...]:
    """What nobody judged of what a pass needs.

    Parameters
    ----------
    criteria
        Each limit's criterion, and the value that was held against it; None where there was none.
    looked
        Whether every critical look was answered.
    """
    asked: set[Part] = {"looks", "pull", "resistance"}
    judged: set[Part] = {"looks"} if looked else set()
    for name, value in criteria:
        part = _SIZES.get(name, "pull" if name in FORCES else "resistance")
        (asked if value is None else judged).add(part)
    return tuple(part for part in get_args(Part) if part in asked - judged)


def owed(not_judged: Iterable[str], only: Judged | None) -> tuple[str, ...]:
    """What keeps a sample from passing: all but what the instrument would judge that is missing."""
    lacking = {"pull", "resistance"} - {only} if only else set()
    return tuple(part for part in not_judged if part not in lacking)


def verdict_of(
    criteria: Iterable[Verdict],
    not_judged: Iterable[str],
    *,
    condemned: bool = False,
    only: Judged | None = None,
) -> Verdict:
    """Verdict of a sample that is not void: the one rule of bench, record and command line.

    A pass means that the looks, a resistance and a pull were each judged, and that all hold.

    Parameters
    ----------
    criteria
        By each limit.
    not_judged
        From :func:`parts_not_judged`.
    condemned
        True where what is seen condemns the crimp whatever it measures.
    only
        What alone a shop judges that lacks the other instrument.
    """
    found = worst([*criteria, *([Verdict.FAIL] if condemned else [])])
    return Verdict.UNDECIDED if found is Verdict.PASS and owed(not_judged, only) else found


def verdict_words(
    verdict: str, not_judged: Collection[str] = (), only: Judged | None = None
) -> str:
    """What a badge says: the verdict, and in the same breath what it does not rest on."""
    words = say(VERDICT_WORDS.get(verdict, verdict))
    if verdict == Verdict.VOID:
        return words
    if only is not None:
        words = say("{verdict}, {part} only", verdict=words, part=say(PART_WORDS[only]))
    if missing := [say(PART_WORDS.get(part, part)) for part in owed(not_judged, only)]:
        words = say("{verdict}, not judged: {parts}", verdict=words, parts=join(missing, ", "))
    return words


def condemned_words(what: str) -> str:
    """Say what condemns a crimp whatever it measures: a look, as a question, or a sentence."""
    if not what.endswith("?"):
        return say(what)
    return say("Failed by a look: {question} No.", question=say(what))


FROM_MEMORY = say(
    "Judged by limits from memory, unverified: compare them with the standard in force."
)


def judge_sample(
    limits: Iterable[Limit],
    *,
    force: Measured | None = None,
    resistance: Measured | None = None,
    equal_length: Measured | None = None,
    current_a: float | None = None,
    sizes: Mapping[str, Measured] | None = None,
    guard: float = DEFAULT_GUARD,
) -> list[tuple[Limit, Judgement]]:
    """Judge a sample by every limit given; its verdict is the worst of them.

    A limit whose value was not measured counts as undecided: what was not shown is never a pass.

    Parameters
    ----------
    limits
        The required limits, all for the sample's wire.
    force, resistance
        The pull's peak in newton and the splice's resistance in ohm.
    equal_length
        Resistance, in ohm, of as long a piece of unbroken wire as the joint is stated for; without
        it no ratio can be judged.
    current_a
        Current at which a voltage drop is judged; the set's own test current where None.
    sizes
        The crimp's height and width in metre, by criterion, as far as they were measured.

    Raises
    ------
    BadInput
        A current that is not positive.
    """
    if current_a is not None and not current_a > 0.0:
        raise BadInput(f"The current must be positive, not {current_a:g} A.")
    measured = (force, resistance, equal_length, current_a, sizes or {})
    return [(limit, _judge_one(limit, _compared(limit, *measured), guard)) for limit in limits]


def _compared(
    limit: Limit,
    force: Measured | None,
    resistance: Measured | None,
    equal_length: Measured | None,
    current_a: float | None,
    sizes: Mapping[str, Measured],
) -> Measured | None:
    """What is held against a limit, in the limit's SI unit; None where it was not measured."""
    if limit.tolerance_si is not None:
        return sizes.get(limit.criterion)
    if limit.criterion == "pull_force_min":
        return force
    if resistance is None:
        return None
    if limit.criterion == "resistance_ratio_max":
        return None if equal_length is None else _ratio(resistance, equal_length)
    drop = limit.criterion == "voltage_drop_max"
    scale = current_a or limit.test_current_a or 0.0 if drop else 1.0
    u = None if resistance.u is None else resistance.u * scale
    return replace(resistance, value=resistance.value * scale, u=u)


def _ratio(resistance: Measured, equal_length: Measured) -> Measured:
    """Joint plus the wire beside it, over the same length of unbroken wire."""
    share = resistance.value / equal_length.value
    u = None
    if resistance.u is not None:
        wire_u = share * (equal_length.u or 0.0) / equal_length.value
        u = math.hypot(resistance.u / equal_length.value, wire_u)
    return replace(resistance, value=1.0 + share, u=u)


def _judge_one(limit: Limit, found: Measured | None, guard: float) -> Judgement:
    if found is None:
        return Judgement(Verdict.UNDECIDED)
    if limit.criterion == "pull_force_min":
        return _judge_pull(limit, found, guard)
    if (within := limit.tolerance_si) is not None:
        how = {"guard": guard, "dof": found.dof}
        return judge_within(found.value, found.u, limit.value_si, within, **how)
    return judge_at_most(found.value, found.u, limit.value_si, guard=guard, dof=found.dof)


def _judge_pull(limit: Limit, found: Measured, guard: float) -> Judgement:
    """Judge a force by how it was come by.

    What a sample bore shows that it reaches a limit, and never that it misses one: it fails only
    where it was pulled to the end, or let go of before the time of a hold was over.
    """
    judged = judge_at_least(
        found.value, found.u, limit.value_si, guard=guard, dof=found.dof,
        may_be_low_by=found.may_be_low_by,
    )  # fmt: skip
    if found.end == "hold" and (found.held_s or 0.0) < (limit.hold_s or 0.0):
        return replace(judged, verdict=Verdict.FAIL, probability_conforming=None, note=NOT_HELD)
    if found.end != "destructive" and judged.verdict is not Verdict.PASS:
        return Judgement(Verdict.UNDECIDED, None, found.value, found.u, BORE_NO_MORE)
    return replace(judged, note=PEAK_IS_NO_HOLD if limit.is_held and found.end != "hold" else "")


def _probability_above(margin: float, u: float, dof: float, may_be_low_by: float) -> float:
    """Probability that margin + U(0, may_be_low_by) + u·t exceeds zero."""
    if u == 0.0:
        if margin >= 0.0:
            return 1.0
        return max(0.0, 1.0 + margin / may_be_low_by) if may_be_low_by > 0.0 else 0.0
    if may_be_low_by <= 1e-9 * u:
        return float(_cumulative(margin / u, dof))
    loss = may_be_low_by * (np.arange(_LOSS_STEPS) + 0.5) / _LOSS_STEPS
    return float(np.mean(_cumulative((margin + loss) / u, dof)))


def _cumulative(t: Any, dof: float) -> Any:
    return ndtr(t) if math.isinf(dof) else stdtr(dof, t)
