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
