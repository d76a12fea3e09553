"""Control charts of checks: one individuals chart per instrument, check and standard."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.saying import say
from calibration.uncertainty import coverage_factor, repeatability

LEAST_BASELINE = 10
MOST_BASELINE = 20
"""The first so many good checks make the baseline, and then it stays."""

FALSE_ALARM = 0.0027
"""Chance that a good check signals: that of three standard deviations, known exactly."""

LEAST_SHARE_OF_LIMIT = 0.1
"""The chart is never narrower than this share of the stated limit: a check that always gave the
same digit would otherwise signal at the next one."""


@dataclass(frozen=True, slots=True)
class CheckChart:
    """Limits of a check's value; SI units."""

    center: float
    lower: float
    upper: float

    def signals(self, value: float) -> bool:
        """Whether a value lies outside."""
        return not self.lower <= value <= self.upper


@dataclass(frozen=True, slots=True)
class CheckJudgement:
    """Whether a check passed, and if not, why."""

    passed: bool
    reason: str | None
    chart: CheckChart


def check_chart(good_values: Sequence[float], *, expected: float, limit: float) -> CheckChart:
    """Chart of a check.

    Until there are :data:`LEAST_BASELINE` good checks the stated limits stand alone. Then limits
    that predict the next check of a normal baseline, and never wider than the stated ones: three
    standard deviations would signal falsely about once in 44 checks with ten in the baseline,
    since mean and spread are themselves estimates; Student's factor for one new value keeps the
    promised one in 370 (mean of n, s, t with n - 1 degrees of freedom, root of 1 + 1/n).

    Parameters
    ----------
    good_values
        Earlier checks that passed, oldest first.
    expected, limit
        The standard's value, and how far from it a check may lie.
    """
    low, high = expected - limit, expected + limit
    baseline = good_values[:MOST_BASELINE]
    if len(baseline) < LEAST_BASELINE:
        return CheckChart(expected, low, high)
    center, u_mean, dof = repeatability(baseline)
    predicted = u_mean * math.sqrt(len(baseline) + 1.0)
    factor = coverage_factor(1.0 - FALSE_ALARM / 2.0, dof)
    reach = max(factor * predicted, LEAST_SHARE_OF_LIMIT * limit)
    return CheckChart(center, max(low, center - reach), min(high, center + reach))


def judge_check(
    value: float,
    good_values: Sequence[float],
    *,
    expected: float,
    limit: float,
    unit: str = "",
    scale: float = 1.0,
) -> CheckJudgement:
    """Judge a check by its stated limit and by its chart.

    Parameters
    ----------
    unit, scale
        The unit that the reason is written in, and its size in the unit of the values.

    Raises
    ------
    ValueError
        The limit is not positive.
    """
    if not limit > 0.0:
        raise ValueError(f"the limit of a check must be positive: {limit:g}")
    chart = check_chart(good_values, expected=expected, limit=limit)
    if not abs(value - expected) <= limit:
        return CheckJudgement(False, off_limit(value, expected, limit, unit, scale), chart)
    if chart.signals(value):
        reason = say(
            "{value:.6g}{unit} is outside of what this check was before ({lower:.6g} "
            "to {upper:.6g}{unit})",
            value=value / scale,
            unit=f" {unit}".rstrip(),
            lower=chart.lower / scale,
            upper=chart.upper / scale,
        )
        return CheckJudgement(False, reason, chart)
    return CheckJudgement(True, None, chart)


def off_limit(
    value: float, expected: float, limit: float, unit: str = "", scale: float = 1.0
) -> str:
    """Say how far a value is from the one expected; arguments as in :func:`judge_check`."""
    return say(
        "{value:.6g}{unit} is {off:.2g}{unit} from {expected:.6g}{unit}, and {limit:.2g}{unit} is "
        "allowed",
        value=value / scale,
        unit=f" {unit}".rstrip(),
        off=abs(value - expected) / scale,
        expected=expected / scale,
        limit=limit / scale,
    )
