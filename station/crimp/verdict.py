"""Verdicts with a guard band: how sure one may be that a value meets a limit.

A value passes only if it beats the limit by ``guard`` standard uncertainties, fails only if it
misses by as much, and is undecided between (JCGM 106:2012, guarded acceptance and rejection;
ISO 14253-1). ``guard`` is a one-sided normal factor; with few degrees of freedom the Student factor
of the same probability takes its place, so that the promised risk is kept.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from scipy.special import ndtr, stdtr

from calibration.uncertainty import coverage_factor
from station.crimp.limits import Criterion, Limit
from station.errors import BadInput

DEFAULT_GUARD = 1.645
"""One-sided 95 %: a value just inside the guard band is wrong once in twenty."""


class Verdict(StrEnum):
    """What can be said of a sample. Void means that the test, not the crimp, was bad."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    UNDECIDED = "undecided"
    VOID = "void"


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and the probability that the true value meets the limit (None if unknown)."""

    verdict: Verdict
    probability_conforming: float | None


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
        return Judgement(verdict, None)
    return Judgement(verdict, _probability_above(value - limit, spread, dof, may_be_low_by))


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
    return judge_at_least(-value, u, -limit, guard=guard, dof=dof)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Verdict of a sample from those of its criteria: void, then fail, undecided, pass.

    No criteria at all is undecided: nothing was shown.
    """
    found = set(verdicts)
    for verdict in (Verdict.VOID, Verdict.FAIL, Verdict.UNDECIDED):
        if verdict in found:
            return verdict
    return Verdict.PASS if found else Verdict.UNDECIDED


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


_LOSS_STEPS = 1000
"""Midpoints over the possible loss: error below 1e-6 for a loss of up to 5 u."""


def _cumulative(t: Any, dof: float) -> Any:
    return ndtr(t) if math.isinf(dof) else stdtr(dof, t)


@dataclass(frozen=True, slots=True)
class MeasuredForce:
    """A pull's peak in newton, its standard uncertainty, one-sided loss and degrees of freedom."""

    value_n: float
    u_n: float | None
    may_be_low_by_n: float = 0.0
    dof: float = float("inf")


@dataclass(frozen=True, slots=True)
class MeasuredResistance:
    """A splice's resistance in ohm, its standard uncertainty and degrees of freedom.

    ``equal_length_ohm`` is the resistance of as long a piece of unbroken wire as the joint is
    stated for, in ohm, and ``equal_length_u_ohm`` its standard uncertainty; None where no length
    was stated, and then no ratio can be judged.
    """

    value_ohm: float
    u_ohm: float | None
    dof: float = float("inf")
    equal_length_ohm: float | None = None
    equal_length_u_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class JudgedCriterion:
    """One comparison with one limit, in SI. ``value`` is None where nothing was measured."""

    criterion: Criterion
    unit: str
    value: float | None
    u: float | None
    limit: float
    verdict: Verdict
    probability_conforming: float | None


@dataclass(frozen=True, slots=True)
class SampleJudgement:
    """All criteria of a sample, and its verdict: the worst of them."""

    criteria: tuple[JudgedCriterion, ...]
    verdict: Verdict


def judge_sample(
    limits: Iterable[Limit],
    *,
    force: MeasuredForce | None = None,
    resistance: MeasuredResistance | None = None,
    current_a: float | None = None,
    guard: float = DEFAULT_GUARD,
) -> SampleJudgement:
    """Judge a sample by every limit given.

    A limit whose value was not measured counts as undecided: what was not shown is never a pass.

    Parameters
    ----------
    limits
        The required limits, all for the sample's wire.
    current_a
        Current at which a voltage drop is judged; the set's own test current where None.

    Raises
    ------
    BadInput
        A current that is not positive.
    """
    if current_a is not None and not current_a > 0.0:
        raise BadInput(f"The current must be positive, not {current_a:g} A.")
    criteria = tuple(_judge_one(limit, force, resistance, current_a, guard) for limit in limits)
    return SampleJudgement(criteria, worst(criterion.verdict for criterion in criteria))


def _judge_one(
    limit: Limit,
    force: MeasuredForce | None,
    resistance: MeasuredResistance | None,
    current_a: float | None,
    guard: float,
) -> JudgedCriterion:
    if limit.criterion == "pull_force_min":
        return _judge_force(limit, force, guard)
    if resistance is None:
        return _missing(limit)
    scale = 1.0
    if limit.criterion == "voltage_drop_max":
        scale = current_a or limit.test_current_a or 0.0
    elif limit.criterion == "resistance_ratio_max":
        if resistance.equal_length_ohm is None:
            return _missing(limit)
        return _judge_ratio(limit, resistance, resistance.equal_length_ohm, guard)
    value = resistance.value_ohm * scale
    u = None if resistance.u_ohm is None else resistance.u_ohm * scale
    judged = judge_at_most(value, u, limit.value_si, guard=guard, dof=resistance.dof)
    return JudgedCriterion(
        limit.criterion, limit.unit_si, value, u, limit.value_si,
        judged.verdict, judged.probability_conforming,
    )  # fmt: skip


def _judge_ratio(
    limit: Limit, resistance: MeasuredResistance, equal_ohm: float, guard: float
) -> JudgedCriterion:
    """Joint plus the wire beside it, over the same length of unbroken wire."""
    share = resistance.value_ohm / equal_ohm
    u = None
    if resistance.u_ohm is not None:
        u = math.hypot(
            resistance.u_ohm / equal_ohm, share * resistance.equal_length_u_ohm / equal_ohm
        )
    judged = judge_at_most(1.0 + share, u, limit.value_si, guard=guard, dof=resistance.dof)
    return JudgedCriterion(
        limit.criterion, limit.unit_si, 1.0 + share, u, limit.value_si,
        judged.verdict, judged.probability_conforming,
    )  # fmt: skip


def _judge_force(limit: Limit, force: MeasuredForce | None, guard: float) -> JudgedCriterion:
    if force is None:
        return _missing(limit)
    judged = judge_at_least(
        force.value_n, force.u_n, limit.value_si, guard=guard, dof=force.dof,
        may_be_low_by=force.may_be_low_by_n,
    )  # fmt: skip
    return JudgedCriterion(
        limit.criterion, limit.unit_si, force.value_n, force.u_n, limit.value_si,
        judged.verdict, judged.probability_conforming,
    )  # fmt: skip


def _missing(limit: Limit) -> JudgedCriterion:
    return JudgedCriterion(
        limit.criterion, limit.unit_si, None, None, limit.value_si, Verdict.UNDECIDED, None
    )
