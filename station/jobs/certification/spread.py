"""Is a hand as steady as the shop? The candidate's spread against the baselines of the same joints.

The squares of several tasks, each over its baseline's, are pooled. The ratio's lower bound allows
for both numbers of samples by the F distribution; the smallest baseline stands for all, which is
in the candidate's favour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri


@dataclass(frozen=True, slots=True)
class OwnSpread:
    """Values of one joint, and the deviation and size of its baseline."""

    values: Sequence[float]
    baseline_sigma: float
    baseline_n: int


@dataclass(frozen=True, slots=True)
class SpreadRatio:
    """Spread over the baselines' spread: 1 is as steady as the shop.

    Attributes
    ----------
    lower_bound
        One-sided confidence bound of ``ratio``.
    dof
        Degrees of freedom of the candidate's own spread.
    """

    ratio: float
    lower_bound: float
    dof: int


def spread_ratio(groups: Sequence[OwnSpread], confidence: float) -> SpreadRatio | None:
    """Pooled ratio of spreads; None without two values of a joint that has a baseline."""
    usable = [
        group
        for group in groups
        if len(group.values) >= 2 and group.baseline_sigma > 0.0 and group.baseline_n >= 2
    ]
    dof = sum(len(group.values) - 1 for group in usable)
    if not usable:
        return None
    squares = sum(
        (len(group.values) - 1) * float(np.var(group.values, ddof=1)) / group.baseline_sigma**2
        for group in usable
    )
    ratio = math.sqrt(squares / dof)
    smallest = min(group.baseline_n for group in usable)
    bound = ratio / math.sqrt(float(fdtri(dof, smallest - 1, confidence)))
    return SpreadRatio(ratio, bound, dof)
