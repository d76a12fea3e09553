"""How likely is a running validation to pass, and how many samples would it still take?

The samples so far say how good the process may be; the samples still to come are predicted from
that. Mean and spread are both unknown (reference prior, density proportional to 1/sigma), so a few
good samples promise less than many. The chance is exact for normal data, up to one numerical
average; nothing is drawn at random.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtr

from station.statistics.capability import (
    MAX_SAMPLES_ASKED,
    demand_share,
    fewest,
    tolerance_factor,
)

Values = NDArray[np.float64]

_STEPS = 2_000
"""Midpoints of the average over the share of the spread that is already known."""


def chance_to_pass(
    n: int,
    mean: float,
    sd: float,
    lower: float,
    plan_n: int,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> float:
    """Chance that the tolerance bound of all ``plan_n`` samples will meet a lower limit.

    Let r samples be missing, and let Z be the standardised mean of them about the present mean, V
    and W the chi-squared sums of squares of the present and the missing samples. The plan passes if

        margin sqrt(V / (n - 1)) + sqrt(r / (n plan_n)) Z >= k sqrt((V + W + Z^2) / (plan_n - 1))

    with ``margin = (mean - lower) / sd``. V / (V + W) follows a beta distribution and Z over the
    root of V + W, independently, a Student's t; for a given share the second is integrated in
    closed form. (Derived here; checked in the tests by simulation and at both ends.)

    Parameters
    ----------
    n, mean, sd
        Samples so far, at least 2, with mean and standard deviation (n - 1) in the unit of the
        limit. For an upper limit give the negatives of mean and limit.
    lower
        Limit that the bound must meet.
    plan_n
        Samples that the plan will have in the end, those so far included.
    coverage, confidence
        Of the tolerance bound, as in ``capability``.

    Returns
    -------
    float
        0 to 1; exactly 0 or 1 where nothing is missing.

    Raises
    ------
    ValueError
        Fewer than two samples, fewer planned than there are or absurdly many, no spread so far, a
        figure that is not finite, or a probability outside 0 to 1.
    """
    _check_figures(n, mean, sd, lower, plan_n)
    k = tolerance_factor(plan_n, coverage, confidence)
    margin = (mean - lower) / sd
    missing = plan_n - n
    if missing == 0:
        return 1.0 if margin >= k else 0.0
    own = margin / math.sqrt(n - 1) * _known_shares(n, missing)
    new = math.sqrt(missing / (n * plan_n))
    return float(np.mean(_share_beyond(own, new, k / math.sqrt(plan_n - 1), plan_n - 2)))


def _check_figures(n: int, mean: float, sd: float, lower: float, plan_n: int) -> None:
    if not all(math.isfinite(value) for value in (mean, sd, lower)):
        raise ValueError("the mean, the spread or the limit is not a finite number")
    if n < 2:
        raise ValueError(f"a chance to pass needs at least 2 samples, not {n}")
    if plan_n < n:
        raise ValueError(f"the plan has {plan_n} samples, but there are {n} already")
    if plan_n > MAX_SAMPLES_ASKED:
        raise ValueError(f"a plan has at most {MAX_SAMPLES_ASKED} samples, not {plan_n}")
    if sd <= 0.0:
        raise ValueError("the samples so far do not differ, so nothing can be foreseen from them")


def samples_for_chance(
    n: int,
    mean: float,
    sd: float,
    lower: float,
    *,
    chance: float = 0.9,
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> int | None:
    """Samples to add until ``chance_to_pass`` reaches ``chance``.

    More than ``capability.samples_needed``, which takes mean and spread as they are and is right
    only about half of the time.

    Returns
    -------
    int or None
        0 where the bound meets the limit already; None where no number up to a hundred thousand
        would do, because the mean may be too near the limit.

    Raises
    ------
    ValueError
        As ``chance_to_pass``, or a chance outside 0 to 1.
    """
    demand_share("chance", chance)

    def enough(more: int) -> bool:
        return chance <= chance_to_pass(
            n, mean, sd, lower, n + more, coverage=coverage, confidence=confidence
        )

    return fewest(enough, MAX_SAMPLES_ASKED - n)


def chance_of_success_run(passed: int, plan_n: int) -> float:
    """Chance that a plan without any allowed failure passes, after ``passed`` good samples.

    (passed + 1) / (plan_n + 1): Laplace's rule of succession, every share of good samples being
    equally likely beforehand.

    Raises
    ------
    ValueError
        A negative number of samples, or fewer planned than have passed.
    """
    if not 0 <= passed <= plan_n:
        raise ValueError(f"{passed} passes in a plan of {plan_n} samples cannot be")
    return (passed + 1) / (plan_n + 1)


def _known_shares(n: int, missing: int) -> Values:
    """Roots of the share of all squares that the present samples hold, equally likely steps."""
    if missing == 1:
        # One sample has no spread about its own mean: all squares are known.
        return np.ones(1)
    steps = (np.arange(_STEPS) + 0.5) / _STEPS
    return np.asarray(np.sqrt(betaincinv((n - 1) / 2.0, (missing - 1) / 2.0, steps)))


def _share_beyond(own: Values, new: float, level: float, dof: int) -> Values:
    """Chance that own + new x >= level sqrt(1 + x^2), x being Student's t over the root of dof.

    With x = tan(angle) this reads: reach cos(angle - turn) >= level.
    """
    reach, turn = np.hypot(own, new), np.arctan2(new, own)
    half = np.arccos(np.clip(level / reach, -1.0, 1.0))

    def up_to(angle: Values) -> Values:
        # Just inside the right angles, where the tangent is finite.
        inside = np.clip(angle, -math.pi / 2.0 + 1e-12, math.pi / 2.0 - 1e-12)
        return np.asarray(stdtr(dof, math.sqrt(dof) * np.tan(inside)))

    # The last term is the same arc come round the circle, where the level is negative.
    arc = up_to(turn + half) - up_to(turn - half) + up_to(turn + half - 2.0 * math.pi)
    return np.clip(arc, 0.0, 1.0)
