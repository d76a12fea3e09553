"""How often a plan is wrong, by trying it on a population whose true quality is known."""

from dataclasses import asdict, dataclass
from typing import Any, Literal

from scipy.special import betaincinv

Truth = Literal["bad", "sound"]


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
