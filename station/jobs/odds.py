"""How often a plan is wrong, by trying it on a population whose true quality is known.

Pulls are simulated about a limit of 100 N, each read with an uncertainty of 0.5 N. All of it is
invented: it shows what a plan does, not how tools and people are.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeVar

import numpy as np
from scipy.special import betaincinv

from station.ledger.entries import Joint

Truth = Literal["bad", "sound"]
T = TypeVar("T")
Population = tuple[str, Truth, T]
"""What it is called, what is true of it, and one of it."""

LIMIT_N = 100.0
SPREAD_N = 8.0
U_N = 0.5
READING_NOISE_N = 0.2

JOINT = Joint(connector="invented", wires=("18 AWG",), tool="invented", nest="invented")


@dataclass(frozen=True, slots=True)
class ErrorRate:
    """One population: what is true of it, and how often the plan says otherwise.

    Attributes
    ----------
    truth
        ``bad``: an error is to accept it; ``sound``: an error is to refuse it.
    low, high
        Exact 95 % interval of the share of errors (Clopper and Pearson 1934).
    """

    population: str
    truth: Truth
    tried: int
    errors: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Share of errors."""
        return self.errors / self.tried

    def as_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        return asdict(self) | {"share": self.share}


def error_rate(population: str, truth: Truth, errors: int, tried: int) -> ErrorRate:
    """Count of errors with its interval.

    Raises
    ------
    ValueError
        More errors than trials, or no trial.
    """
    if not 0 <= errors <= tried or tried < 1:
        raise ValueError(f"{errors} errors in {tried} trials cannot be")
    low = 0.0 if errors == 0 else float(betaincinv(errors, tried - errors + 1, 0.025))
    high = 1.0 if errors == tried else float(betaincinv(errors + 1, tried - errors, 0.975))
    return ErrorRate(population, truth, tried, errors, low, high)


def error_rates(
    populations: Sequence[Population[T]],
    passes: Callable[[T, np.random.Generator], bool],
    tries: Callable[[T], int],
    seed: int,
) -> list[ErrorRate]:
    """Try a rule so often on each population: to pass a bad one is an error, or not a sound one."""
    found = []
    for place, (words, truth, one) in enumerate(populations):
        rng = np.random.default_rng([seed, place])
        tried = tries(one)
        passed = sum(passes(one, rng) for _ in range(tried))
        found.append(error_rate(words, truth, passed if truth == "bad" else tried - passed, tried))
    return found


def simulated_pull(
    margin: float, stray: float, rng: np.random.Generator, reads_high_n: float = 0.0
) -> float:
    """What a tester reads of a crimp, in newton.

    Parameters
    ----------
    margin
        Mean of the crimps above the limit, in standard deviations.
    stray
        Share of crimps that hold only 0.6 of the limit.
    """
    true_n = 0.6 * LIMIT_N
    if rng.random() >= stray:
        true_n = rng.normal(LIMIT_N + margin * SPREAD_N, SPREAD_N)
    return float(true_n + rng.normal(reads_high_n, READING_NOISE_N))
