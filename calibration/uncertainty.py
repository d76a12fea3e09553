"""Uncertainty budgets after the GUM (JCGM 100:2008): independent contributions in quadrature."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import stdtrit


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    Attributes
    ----------
    name
        What it comes from, in the operator's words.
    u
        Standard uncertainty times sensitivity, in the unit of the result; not negative.
    dof
        Degrees of freedom of that estimate; infinite where it is known from a specification.
    """

    name: str
    u: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"uncertainty {self.name!r} must be finite and not negative: {self.u}")
        if not self.dof > 0.0:
            raise ValueError(f"degrees of freedom of {self.name!r} must be positive: {self.dof}")


@dataclass(frozen=True, slots=True)
class Budget:
    """Independent contributions to one result."""

    contributions: tuple[Contribution, ...]

    @classmethod
    def of(cls, contributions: Iterable[Contribution]) -> "Budget":
        """Make a budget from any iterable, leaving out lines that are exactly zero."""
        return cls(tuple(line for line in contributions if line.u > 0.0))

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.hypot(*(line.u for line in self.contributions))

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite; JCGM 100:2008, G.4.1)."""
        combined = self.u
        if combined == 0.0:
            return math.inf
        # As ratios, so that microohms to the fourth power do not underflow.
        spread = sum((line.u / combined) ** 4 / line.dof for line in self.contributions)
        return 1.0 / spread if spread > 0.0 else math.inf


def coverage_factor(probability: float, dof: float) -> float:
    """Quantile of Student's t; of the normal distribution where ``dof`` is infinite.

    Parameters
    ----------
    probability
        Lower-tail probability, between 0 and 1.
    dof
        Degrees of freedom, positive, may be infinite.
    """
    return float(stdtrit(min(dof, 1e12), probability))


def repeatability(values: Iterable[float]) -> tuple[float, float, float]:
    """Mean, standard uncertainty of the mean and degrees of freedom of repeats.

    One value has no spread to estimate: its uncertainty is returned as 0 with infinite degrees of
    freedom, and the instrument's own specification must carry the budget.
    """
    repeats = list(values)
    if not repeats:
        raise ValueError("no repeats to average")
    n = len(repeats)
    mean = math.fsum(repeats) / n
    if n == 1:
        return mean, 0.0, math.inf
    variance = math.fsum((value - mean) ** 2 for value in repeats) / (n - 1)
    return mean, math.sqrt(variance / n), float(n - 1)
