"""Is a process good enough, and how sure can one be from so few samples?

Values against a lower limit: the exact one-sided tolerance bound of normal values (noncentral t),
and Ppk with its exact lower confidence bound; the two are one statement. No test can tell from
thirty values that their tail is normal, so a verdict rests on a bound with room for other shapes,
or on the count of values above the limit. Pass/fail data: success run and exact binomial bounds.
Warnings never drop data.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, chdtri, nctdtrinc, nctdtrit, ndtri, stdtrit

from calibration.saying import say
from station.errors import BadInput
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt
from station.statistics.pooling import MIN_BASELINE

MAX_SAMPLES_ASKED = 100_000

CapabilityVerdict = Literal["pass", "fail", "undecided"]
Values = NDArray[np.float64]

LEAN, LEAN_ROOM = 0.3, 0.6
"""Room for a tail that leans to the worse: so much more for each unit of skewness under the first.
By simulation, so that a claim holds for lognormal values either way (``tolerance_verdicts``)."""

TAIL_DOF = 5.0
"""Tails as heavy as those of Student's t with so many degrees of freedom are allowed for."""

LARGE_PPK = 300.0
"""From here on only the spread is uncertain, to within 2e-4 of the bound [calc]; the search for a
noncentrality slows down and, for values that are almost alike, never ends."""

FAR_ALARM = 0.005
"""Chance that a normal sample has a lowest value so far down that its shape is not believed."""


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
    if abs(ppk) > LARGE_PPK:
        share = confidence if ppk > 0.0 else 1.0 - confidence
        return ppk * math.sqrt(float(chdtri(n - 1, share)) / (n - 1))
    root = math.sqrt(n)
    return float(nctdtrinc(n - 1, confidence, 3.0 * ppk * root)) / (3.0 * root)


def shape_room(sets: Values, coverage: float) -> Values:
    """By how much the normal factor is widened for what other shapes may hide, at least 1.

    Infinite where the lowest value lies far from the others (Grubbs' test of one side): what made
    one such value makes more of them, and the spread of the rest says nothing of how far down.

    Parameters
    ----------
    sets
        Shape (..., n): sets of values, not all equal.
    """
    n = sets.shape[-1]
    away = sets - sets.mean(axis=-1, keepdims=True)
    square = (away**2).mean(axis=-1)
    skewness = (away**3).mean(axis=-1) / square**1.5
    heavy = 1.0
    if coverage > 0.5:
        unit = math.sqrt(TAIL_DOF / (TAIL_DOF - 2.0))
        heavy = max(1.0, float(stdtrit(TAIL_DOF, coverage)) / unit / float(ndtri(coverage)))
    room = heavy * (1.0 + LEAN_ROOM * np.maximum(0.0, LEAN - skewness))
    if n > 2:
        t = float(stdtrit(n - 2, FAR_ALARM / n))
        farthest = math.sqrt((n - 1) * t * t / (n - 2 + t * t))
        room = np.where(-away.min(axis=-1) > farthest * np.sqrt(square), np.inf, room)
    return np.asarray(room)


def judged_bounds(sets: Values, coverage: float, confidence: float) -> tuple[Values, Values]:
    """Bounds that a limit must lie under: by shape, with room, and by count; -inf where none.

    By count it is the order statistic with enough values at or above it (Wilks 1941).

    Parameters
    ----------
    sets
        Shape (..., n).
    """
    n = sets.shape[-1]
    k = tolerance_factor(n, coverage, confidence)
    room = shape_room(sets, coverage) if k > 0.0 else np.ones(sets.shape[:-1])
    by_shape = sets.mean(axis=-1) - k * room * sets.std(axis=-1, ddof=1)
    below = np.arange(n)
    enough = np.count_nonzero(betaincinv(n - below, below + 1, 1.0 - confidence) >= coverage)
    if not enough:
        return by_shape, np.full_like(by_shape, -np.inf)
    return by_shape, np.sort(sets, axis=-1)[..., enough - 1]


@dataclass(frozen=True, slots=True)
class Capability:
    """A group of values against a lower limit.

    Attributes
    ----------
    k, lower_tolerance_bound
        Factor, and mean less k standard deviations: right if the values are normal.
    ppk, ppk_lower_bound
        Margin over three standard deviations, and its bound; None without any spread. Both are of
        normal values.
    verdict
        ``pass`` where the judged bound meets the limit, ``fail`` where too many values lie below
        the limit whatever their shape, ``undecided``, not shown by these values, between.
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
    judged_bound: float | None = None
    """The bound that the verdict rests on, with room for other shapes; None where none is known."""
    rests_on: Literal["shape", "count"] | None = None
    """Whether that bound is taken from spread and shape, or from the count of values alone."""
    room: float = math.inf
    """Factor on ``k`` for other shapes; infinite where a value lies far below the others."""
    unseen_share: float = 1.0
    """Share of values of another kind of which, at this confidence, none may have been seen."""
    more_for_strays: int = 0
    """Samples still needed to show that fewer are of another kind than the claim leaves out.

    Until then no verdict is about those: a set without one in it looks like any good set.
    """


def capability(
    values: Sequence[float],
    lower: float,
    *,
    coverage: float = 0.95,
    confidence: float = 0.95,
    any_shape: bool = True,
) -> Capability:
    """Judge values by the tolerance bound that a lower limit must lie under.

    Parameters
    ----------
    any_shape
        False takes the values as normal, as plans did that do not ask for more.

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
    room, by_shape, by_count = 1.0, bound, -math.inf
    if any_shape:
        room = float(shape_room(data, coverage))
        by_shape, by_count = (float(each) for each in judged_bounds(data, coverage, confidence))
    judged = max(by_shape, by_count)
    doubts = (shape_doubt(data), outlier_doubt(data), resolution_doubt(data))
    ppk = (mean - lower) / (3.0 * sd)
    missed = reliability_bound(int(np.sum(data < lower)), data.size, confidence)
    verdict: CapabilityVerdict = "undecided"
    if judged >= lower:
        verdict = "pass"
    elif missed > 1.0 - coverage:
        verdict = "fail"
    more: int | None = 0
    for_strays = max(0, success_run(coverage, confidence) - data.size)
    if verdict != "pass":
        more = samples_needed(data.size, (mean - lower) / sd / room, coverage, confidence)
        if math.isinf(room) and data.min() >= lower:
            more = for_strays
    return Capability(
        int(data.size),
        mean,
        sd,
        k,
        bound,
        ppk,
        ppk_lower_bound(ppk, data.size, confidence),
        verdict,
        more,
        tuple(doubt for doubt in doubts if doubt is not None),
        None if math.isinf(judged) else judged,
        None if math.isinf(judged) else "shape" if by_shape >= by_count else "count",
        room,
        1.0 - (1.0 - confidence) ** (1.0 / data.size),
        for_strays,
    )


def rests_on(found: Capability) -> str:
    """What a tolerance verdict rests on, in a sentence."""
    if found.rests_on == "shape" and found.more_for_strays:
        return say(
            "This rests on how the {n} spread, with room for a tail that is heavier or leans "
            "further. Whether there are strays cannot be shown by {n}: up to {share:.1%} of all "
            "may be such, unseen; {more} more without one would show it.",
            n=found.n,
            share=found.unseen_share,
            more=found.more_for_strays,
        )
    if found.rests_on == "shape":
        return say(
            "This rests on how the {n} spread, with room for a tail that is heavier or leans "
            "further; an odd one rarer than {share:.1%} may have stayed unseen.",
            n=found.n,
            share=found.unseen_share,
        )
    if found.rests_on == "count":
        return say("This rests on the count of the {n} alone, whatever their shape.", n=found.n)
    return say("From these {n} no bound can be shown.", n=found.n)


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
