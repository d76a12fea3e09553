"""A joint's values against their limit: tolerance bound, Ppk bound, and the chance to get there.

Forces are judged as they are, resistances and voltage drops in their logarithm, both with room for
shapes that are not normal (`station.statistics.capability.judged_bounds`). The limit is
moved by the guard factor times the largest standard uncertainty of the values, so that a common
error of the gauge cannot carry a bound over it; the random part of that error is in the spread as
well and counts twice, which is on the safe side.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.saying import say
from station.ledger.entries import CriterionResult
from station.statistics.capability import Capability, capability, rests_on
from station.statistics.planning import chance_to_pass

SMALLEST = 1e-6
"""Below this share of the limit the logarithm of a value says more of the gauge than the crimp."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One criterion of one joint.

    Attributes
    ----------
    unit
        SI unit of ``limit``, ``demanded``, ``middle`` and ``bound``.
    demanded
        The limit moved by the guard: what the bound must meet.
    middle
        Mean, or geometric mean where the logarithm is judged.
    bound
        One-sided tolerance bound; None with fewer than two values, or where none is known.
    worst
        The value nearest to its limit, or farthest past it; told where ``any_shape``.
    rests
        What the bound rests on, in a sentence.
    met
        Whether the bound meets what is demanded; None while that cannot be said.
    chance
        Of meeting it once the plan's number of samples is there; None where none can be foreseen.
    more_samples
        Samples still missing if mean and spread stay as they are; None where no number would do.
    """

    criterion: str
    unit: str
    n: int
    limit: float
    demanded: float
    middle: float
    spread: float = 0.0
    k: float | None = None
    bound: float | None = None
    ppk: float | None = None
    ppk_lower_bound: float | None = None
    met: bool | None = None
    chance: float | None = None
    more_samples: int | None = None
    warnings: tuple[str, ...] = ()
    worst: float | None = None
    rests: str = ""


def finding(
    results: Sequence[CriterionResult],
    *,
    planned: int,
    coverage: float,
    confidence: float,
    guard: float,
    any_shape: bool = True,
) -> Finding:
    """Judge the values of one criterion by their tolerance bound.

    Parameters
    ----------
    results
        Of one criterion and one joint, at least one, all with a value.
    planned
        Samples that the plan will have in the end.
    any_shape
        As for `station.statistics.capability.capability`.

    Raises
    ------
    ValueError
        No value, values of different criteria or limits, or a guard that leaves no limit at all.
    """
    first = _alike(results)
    values = [result.value for result in results if result.value is not None]
    rising = first.criterion.endswith("_min")
    u = max((result.u or 0.0 for result in results), default=0.0)
    demanded = first.limit + (guard * u if rising else -guard * u)
    if demanded <= 0.0:
        raise ValueError(say("the uncertainty of the values is as large as their limit"))
    scaled = values if rising else [_minus_log(value, first.limit) for value in values]
    lower = demanded if rising else -math.log(demanded)

    def shown(value: float) -> float:
        return value if rising else math.exp(-value)

    alone = Finding(
        first.criterion, first.unit, len(scaled), first.limit, demanded, shown(scaled[0])
    )
    if len(scaled) < 2:
        return alone
    found = capability(scaled, lower, coverage=coverage, confidence=confidence, any_shape=any_shape)
    return replace(
        alone,
        middle=shown(found.mean),
        spread=found.sd,
        k=found.k,
        bound=None if found.judged_bound is None else shown(found.judged_bound),
        ppk=found.ppk,
        ppk_lower_bound=found.ppk_lower_bound,
        met=found.verdict == "pass",
        chance=_chance(found, lower, planned, coverage, confidence),
        more_samples=found.more_samples,
        warnings=found.warnings,
        worst=shown(min(scaled)) if any_shape else None,
        rests=rests_on(found) if any_shape else "",
    )


def _alike(results: Sequence[CriterionResult]) -> CriterionResult:
    if not results:
        raise ValueError(say("there is no value to judge"))
    first = results[0]
    for result in results:
        if (result.criterion, result.unit) != (first.criterion, first.unit):
            raise ValueError(f"{result.criterion} and {first.criterion} are not one criterion")
        if not math.isclose(result.limit, first.limit, rel_tol=1e-9):
            raise ValueError(say("{criterion} was judged by two limits", criterion=first.criterion))
        if result.value is None:
            raise ValueError(f"{first.criterion} has no value")
    return first


def _minus_log(value: float, limit: float) -> float:
    return -math.log(max(value, SMALLEST * limit))


def _chance(
    found: Capability, lower: float, planned: int, coverage: float, confidence: float
) -> float | None:
    if found.sd == 0.0 or planned < found.n or math.isinf(found.room):
        return None
    # The deviation widened as the factor will be.
    wide = found.sd * found.room
    return chance_to_pass(
        found.n, found.mean, wide, lower, planned, coverage=coverage, confidence=confidence
    )
