"""Making samples of different joints comparable: standard scores against a joint's baseline.

A crimp in 22 AWG and one in 16 AWG share a nest but neither force nor resistance. Against the
baseline of its own joint each becomes a score with mean 0 and deviation 1 while the nest is good,
so one chart per nest can use every sample. Pull counts as force over its limit, resistance as its
natural logarithm.

A baseline of few samples is uncertain, and charts that ignore it cry wolf. The scores here allow
for it exactly: a new value is placed in Student's distribution for its baseline and read off as a
normal score, then joins the baseline that the next value is scored against (self-starting scores:
Hawkins 1987, Quesenberry 1991). For normal values that have not changed the scores are independent
and standard normal whatever the size of the baseline, so the stated rate of false alarms holds from
the first sample. The price: while a baseline is short, a slow change is partly taken into it and is
found later (``tests/benchmarks/baseline_alarms.py`` says how much). The baseline on record is never
changed by this.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtr

MIN_BASELINE = 10
"""Fewer samples than this are no baseline: a spread from them is off by a quarter and more."""

UPDATE_CAP = 4.0
"""A value farther out than this many deviations joins its baseline as if it lay there."""

_SMALLEST = 1e-300


@dataclass(frozen=True, slots=True)
class Baseline:
    """Mean and sample standard deviation (divisor n - 1) of one characteristic of one joint."""

    n: int
    center: float
    sigma: float

    def score(self, value: float) -> float:
        """Standard score of a value that is not part of the baseline, its uncertainty allowed for.

        The normal quantile of Student's t with ``n - 1`` degrees of freedom of the distance over
        ``sigma * sqrt(1 + 1/n)``; limited to about 37 by the range of a double.
        """
        t = (value - self.center) / (self.sigma * math.sqrt(1.0 + 1.0 / self.n))
        tail = max(float(stdtr(self.n - 1, -abs(t))), _SMALLEST)
        return math.copysign(-float(ndtri(tail)), t)

    def distance(self, value: float) -> float:
        """Distance from the centre in deviations, the baseline taken as exact."""
        return (value - self.center) / self.sigma

    def joined(self, value: float) -> "Baseline":
        """This baseline with one more value in it (Welford 1962), capped so that none spoils it."""
        reach = UPDATE_CAP * self.sigma
        deviation = min(max(value - self.center, -reach), reach)
        n = self.n + 1
        squares = (self.n - 1) * self.sigma**2 + deviation**2 * self.n / n
        return Baseline(n, self.center + deviation / n, math.sqrt(squares / self.n))


def baseline_of(values: Sequence[float]) -> Baseline:
    """Baseline of a characteristic: mean and sample standard deviation of all its values.

    No value is dropped here, since scores against a trimmed baseline would be false.

    Raises
    ------
    ValueError
        Fewer than :data:`MIN_BASELINE` values, values that are not finite, or no spread at all.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.size < MIN_BASELINE:
        raise ValueError(f"a baseline needs at least {MIN_BASELINE} samples, not {data.size}")
    if not np.all(np.isfinite(data)):
        raise ValueError("a baseline value is not a finite number")
    if np.ptp(data) == 0.0:
        raise ValueError("all baseline samples are equal: the spread cannot be known")
    return Baseline(int(data.size), float(np.mean(data)), float(np.std(data, ddof=1)))


def pooled_scores(
    values: Sequence[float | None], joints: Sequence[str], baselines: Mapping[str, Baseline]
) -> list[float | None]:
    """Self-starting scores of one nest's samples, whatever joint each of them is.

    Parameters
    ----------
    values
        One characteristic in time order; None where it was not measured.
    joints
        Which joint each sample is.
    baselines
        By joint; a joint without one is not scored.

    Returns
    -------
    One score per sample; None where there is no value or no baseline.
    """
    running = dict(baselines)
    scores: list[float | None] = []
    for value, joint in zip(values, joints, strict=True):
        baseline = running.get(joint)
        if value is None or baseline is None:
            scores.append(None)
            continue
        scores.append(baseline.score(value))
        running[joint] = baseline.joined(value)
    return scores
