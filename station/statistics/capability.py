"""Is a process good enough, and how sure can one be from so few samples?

Normal data against a lower limit: the exact one-sided tolerance bound (noncentral t), and Ppk with
its exact lower confidence bound; the two are one statement. Pass/fail data: success run and exact
binomial bounds. Warnings never drop data.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import betaincinv, nctdtrinc, nctdtrit, ndtri

from calibration.saying import say
from station.errors import BadInput
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt
from station.statistics.pooling import MIN_BASELINE

MAX_SAMPLES_ASKED = 100_000

CapabilityVerdict = Literal["pass", "fail", "undecided"]


def demand_share(name: str, value: float) -> None:
    """Raise ValueError where a coverage, confidence or chance does not lie between 0 and 1."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"the {name} must lie between 0 and 1, not {value}")


def fewest(enough: Callable[[int], bool], most: int = MAX_SAMPLES_ASKED) -> int | None:
    """The smallest number, from 0 to ``most``, that is enough as all above are; None if none is."""
    if enough(0):
        return 0
    return bisect_left(range(most), True, lo=1, key=enough) if enough(most) else None


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
    demand_share("coverage", coverage)
    demand_share("confidence", confidence)
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
    if np.ptp(data) == 0.0:
        # Not by the deviation: that of three times 0.1 is not quite zero.
        return _without_spread(data.size, float(data[0]), k)
    mean, sd = float(data.mean()), float(data.std(ddof=1))
    bound = mean - k * sd
    doubts = (shape_doubt(data), outlier_doubt(data), resolution_doubt(data))
    found = [doubt for doubt in doubts if doubt is not None]
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
        tuple(found),
    )


def _without_spread(n: int, mean: float, k: float) -> Capability:
    warning = say("All values are equal: the spread cannot be known, so nothing is shown by them.")
    return Capability(n, mean, 0.0, k, mean, None, None, "undecided", None, (warning,))


def samples_needed(n: int, margin: float, coverage: float, confidence: float) -> int | None:
    """Samples to add until the factor falls to ``margin`` (in standard deviations).

    Returns
    -------
    int or None
        0 where ``n`` is enough; None where no number up to a hundred thousand would do.
    """

    def enough(more: int) -> bool:
        return tolerance_factor(n + more, coverage, confidence) <= margin

    return fewest(enough, MAX_SAMPLES_ASKED - n)


def success_run(reliability: float, confidence: float) -> int:
    """Samples without a failure that show a reliability with a confidence.

    n = ceil(ln(1 - confidence) / ln(reliability)).
    """
    demand_share("reliability", reliability)
    demand_share("confidence", confidence)
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


@dataclass(frozen=True, slots=True)
class AttributeCapability:
    """Pass/fail data against the share that must pass.

    Attributes
    ----------
    share_lower_bound, share_upper_bound
        Exact one-sided bounds of the share that passes, each with the confidence asked for.
    verdict
        ``pass`` where the lower bound meets the share, ``fail`` where the upper one misses it,
        ``undecided`` between.
    more_samples
        Samples that must still pass, without another failure: 0 where it passes, None where no
        number would do.
    """

    n: int
    passed: int
    failed: int
    share_lower_bound: float
    share_upper_bound: float
    verdict: CapabilityVerdict
    more_samples: int | None


def attribute_capability(
    passes: Sequence[bool], *, coverage: float = 0.95, confidence: float = 0.95
) -> AttributeCapability:
    """Judge pass/fail data by the exact bound of the share that passes; a success run is one.

    Raises
    ------
    ValueError
        No data, or a probability outside 0 to 1.
    """
    least = success_run(coverage, confidence)
    n, passed = len(passes), sum(passes)
    low = reliability_bound(passed, n, confidence)
    high = 1.0 - reliability_bound(n - passed, n, confidence)

    def enough(more: int) -> bool:
        return reliability_bound(passed + more, n + more, confidence) >= coverage

    more = max(0, least - n) if passed == n else fewest(enough)
    verdict: CapabilityVerdict = "pass" if more == 0 else "fail" if high < coverage else "undecided"
    return AttributeCapability(n, passed, n - passed, low, high, verdict, more)


def shop_resistance_limit_ohm(
    log_center: float, log_sd: float, n: int, *, coverage: float = 0.99, confidence: float = 0.95
) -> float:
    """Highest resistance that a shop's own baseline still explains, in ohm.

    The exact one-sided normal tolerance bound of the logarithm: with this confidence, at least this
    share of the crimps of the validated tool lies below it. Its standing is ``shop``.

    Parameters
    ----------
    log_center, log_sd, n
        Mean and standard deviation of the natural logarithm of the splice resistance in ohm, and
        the number of samples behind them.

    Raises
    ------
    BadInput
        Fewer than 10 samples, or no spread.
    """
    if n < MIN_BASELINE or not log_sd > 0.0:
        raise BadInput(
            f"A shop limit needs a baseline of at least {MIN_BASELINE} samples with some spread, "
            f"not {n} samples with a deviation of {log_sd:g}."
        )
    return math.exp(log_center + tolerance_factor(n, coverage, confidence) * log_sd)
