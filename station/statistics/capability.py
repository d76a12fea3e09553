"""Is a process good enough, and how sure can one be from so few samples?

Normal data against a lower limit: the exact one-sided tolerance bound (noncentral t), and Ppk with
its exact lower confidence bound; the two are one statement. Pass/fail data: success run and exact
binomial bounds. Warnings never drop data.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, nctdtrinc, nctdtrit, ndtr, ndtri, stdtr

MAX_SAMPLES_ASKED = 100_000
NORMALITY_ALARM = 0.01
OUTLIER_ALARM = 0.01

CapabilityVerdict = Literal["pass", "fail", "undecided"]


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Exact one-sided normal tolerance factor ``k``.

    ``mean - k sd`` of ``n`` samples lies below at least ``coverage`` of the population with
    probability ``confidence``: k is the quantile of a noncentral t over the square root of n.

    Raises
    ------
    ValueError
        Fewer than two samples, or a probability outside 0 to 1.
    """
    if n < 2:
        raise ValueError(f"a tolerance bound needs at least 2 samples, not {n}")
    for name, value in (("coverage", coverage), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"the {name} must lie between 0 and 1, not {value}")
    root = math.sqrt(n)
    return float(nctdtrit(n - 1, float(ndtri(coverage)) * root, confidence)) / root


def ppk_lower_bound(ppk: float, n: int, confidence: float) -> float:
    """Exact lower confidence bound of a one-sided Ppk: the noncentrality that just explains it."""
    root = math.sqrt(n)
    return float(nctdtrinc(n - 1, confidence, 3.0 * ppk * root)) / (3.0 * root)


@dataclass(frozen=True, slots=True)
class Capability:
    """A group of values against a lower limit.

    Attributes
    ----------
    k, lower_tolerance_bound
        Factor, and mean less k standard deviations.
    ppk, ppk_lower_bound
        Margin over three standard deviations, and its bound; None without any spread.
    verdict
        ``pass`` where the bound meets the limit, ``fail`` where even the opposite bound misses it,
        ``undecided`` between.
    more_samples
        Samples still needed to pass if mean and spread stay as they are: 0 where it passes, None
        where no number would do.
    warnings
        What speaks against the figures, in sentences.
    """

    n: int
    mean: float
    sd: float
    k: float
    lower_tolerance_bound: float
    ppk: float | None
    ppk_lower_bound: float | None
    verdict: CapabilityVerdict
    more_samples: int | None
    warnings: tuple[str, ...]


def capability(
    values: Sequence[float], lower: float, *, coverage: float = 0.95, confidence: float = 0.95
) -> Capability:
    """Judge values by the tolerance bound that a lower limit must lie under.

    Raises
    ------
    ValueError
        Fewer than two values, values or limit not finite, or a probability outside 0 to 1.
    """
    data = np.asarray(values, dtype=np.float64)
    if not (np.isfinite(data).all() and math.isfinite(lower)):
        raise ValueError("a value or the limit is not a finite number")
    k = tolerance_factor(data.size, coverage, confidence)
    mean, sd = float(data.mean()), float(data.std(ddof=1))
    bound = mean - k * sd
    if sd == 0.0:
        return _without_spread(data.size, mean, k)
    ppk = (mean - lower) / (3.0 * sd)
    opposite = tolerance_factor(data.size, coverage, 1.0 - confidence)
    verdict: CapabilityVerdict = "undecided"
    if bound >= lower:
        verdict = "pass"
    elif mean - opposite * sd < lower:
        verdict = "fail"
    return Capability(
        int(data.size),
        mean,
        sd,
        k,
        bound,
        ppk,
        ppk_lower_bound(ppk, data.size, confidence),
        verdict,
        samples_needed(data.size, (mean - lower) / sd, coverage, confidence),
        tuple(_warnings(data)),
    )


def _without_spread(n: int, mean: float, k: float) -> Capability:
    warning = "All values are equal: the spread cannot be known, so nothing is shown by them."
    return Capability(n, mean, 0.0, k, mean, None, None, "undecided", None, (warning,))


def samples_needed(n: int, margin: float, coverage: float, confidence: float) -> int | None:
    """Samples to add until the factor falls to ``margin`` (in standard deviations).

    Returns
    -------
    int or None
        0 where ``n`` is enough; None where no number up to a hundred thousand would do.
    """
    if tolerance_factor(n, coverage, confidence) <= margin:
        return 0
    if tolerance_factor(MAX_SAMPLES_ASKED, coverage, confidence) > margin:
        return None
    low, high = n, MAX_SAMPLES_ASKED
    while high - low > 1:
        middle = (low + high) // 2
        if tolerance_factor(middle, coverage, confidence) <= margin:
            high = middle
        else:
            low = middle
    return high - n


def success_run(reliability: float, confidence: float) -> int:
    """Samples without a failure that show a reliability with a confidence.

    n = ceil(ln(1 - confidence) / ln(reliability)).
    """
    for name, value in (("reliability", reliability), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"the {name} must lie between 0 and 1, not {value}")
    exact = math.log1p(-confidence) / math.log(reliability)
    # 1e-9: ln(0.1)/ln(0.9)-like quotients that are whole must not be rounded up by an ulp.
    return math.ceil(exact - 1e-9)


def reliability_bound(passed: int, n: int, confidence: float) -> float:
    """Exact lower bound of the share that passes (Clopper and Pearson 1934)."""
    if not 0 <= passed <= n or n < 1:
        raise ValueError(f"{passed} passes of {n} samples cannot be")
    if passed == 0:
        return 0.0
    return float(betaincinv(passed, n - passed + 1, 1.0 - confidence))


def _warnings(data: NDArray[np.float64]) -> list[str]:
    found = []
    if data.size >= 8 and anderson_darling(data)[1] < NORMALITY_ALARM:
        found.append(
            "The values do not look normal, and the bound rests on that: look at them on a chart."
        )
    if data.size >= 3:
        index, p = grubbs(data)
        if p < OUTLIER_ALARM:
            found.append(
                f"Value {data[index]:g} at index {index} lies far from the others: find out why. "
                "It was counted."
            )
    return found


def anderson_darling(values: Sequence[float] | NDArray[np.float64]) -> tuple[float, float]:
    """Anderson-Darling statistic for normality and its probability.

    Mean and variance estimated; probability by D'Agostino & Stephens 1986, table 4.9 (formula from
    memory, checked in the tests against a reference library).
    """
    data = np.sort(np.asarray(values, dtype=np.float64))
    n = data.size
    z = (data - data.mean()) / data.std(ddof=1)
    low = np.clip(ndtr(z), 1e-300, None)
    high = np.clip(ndtr(-z), 1e-300, None)
    odd = 2.0 * np.arange(1, n + 1) - 1.0
    statistic = -n - float(np.mean(odd * (np.log(low) + np.log(high[::-1]))))
    a = statistic * (1.0 + 0.75 / n + 2.25 / n**2)
    return statistic, _anderson_probability(a)


def _anderson_probability(a: float) -> float:
    if a < 0.2:
        return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    if a < 0.34:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    if a < 0.6:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    return math.exp(1.2937 - 5.709 * min(a, 13.0) + 0.0186 * min(a, 13.0) ** 2)


def grubbs(values: Sequence[float] | NDArray[np.float64]) -> tuple[int, float]:
    """Grubbs' test of the value farthest from the mean: its index and probability (two-sided)."""
    data = np.asarray(values, dtype=np.float64)
    n = data.size
    distance = np.abs(data - data.mean()) / data.std(ddof=1)
    index = int(np.argmax(distance))
    g = float(distance[index])
    rest = (n - 1) ** 2 - n * g * g
    if rest <= 0.0:
        return index, 0.0
    t = math.sqrt(n * (n - 2) * g * g / rest)
    return index, min(1.0, 2.0 * n * float(stdtr(n - 2, -t)))
