"""A sample's measured values against the limits of its set: criteria, then one verdict."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from station.errors import BadInput
from station.limits import Criterion, Limit
from station.verdict import DEFAULT_GUARD, Verdict, judge_at_least, judge_at_most, worst


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
