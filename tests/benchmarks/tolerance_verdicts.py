"""Tolerance verdicts of values that are not normal.

``python -m tests.benchmarks.tolerance_verdicts``: sets of 10 to 60 values are judged against a
limit that lies where the claim is false by a hair: a verdict of pass is then wrong. Values are
normal; lognormal with the long tail for the better (deviation of the logarithm 0.3, 0.5, 1) or for
the worse (0.1, 0.3); Student's with 5 degrees of freedom; or normal with one in twenty a stray, 2
to 10 deviations down.

A set without any stray in it looks like any set of good values, and of 30 values one set in five is
such (0.95 to the 30th): no rule can refuse those and pass good tools. A pass by fewer values than
show the claim by count alone (success run: 59 at 95 % with 95 %) therefore says that the absence of
strays cannot be shown. There a wrong pass counts where a stray is among the values; from that
number on it counts in every set. Beside it stands how many there are in all. A verdict of fail is
wrong where the limit lies a hair lower.

Holds where no cell has more than 3 points above the error that the confidence leaves (5 %).
``normal passes`` is the power: the share of normal sets that pass with a mean so many deviations
above the limit, beside that of the normal bound alone."""

import math
from collections.abc import Callable, Iterator

import numpy as np
from scipy import optimize, stats

from station.statistics.capability import (
    Values,
    judged_bounds,
    reliability_bound,
    success_run,
    tolerance_factor,
)
from tests.benchmarks.report import Figures, run

SEED = 20261128
SETS = 20_000
SIZES = (10, 20, 30, 60)
CLAIMS = ((0.95, 0.95), (0.99, 0.95))
STRAYS = 0.05
POINTS = 0.03
MARGINS = (3.0, 4.0, 5.0, 6.0)

Draw = Callable[[np.random.Generator, tuple[int, int]], Values]
Quantile = Callable[[float], float]


def lognormal(spread: float, side: float) -> tuple[Draw, Quantile]:
    """Lognormal values, the long tail up (side 1) or down (side -1)."""
    return (
        lambda rng, shape: side * np.exp(spread * side * rng.standard_normal(shape)),
        lambda p: side * math.exp(spread * side * float(stats.norm.ppf(p))),
    )


def strays(depth: float) -> tuple[Draw, Quantile]:
    """Normal values, one in twenty lower by ``depth``: the draw leaves that to its caller."""

    def below(x: float, p: float) -> float:
        return float((1 - STRAYS) * stats.norm.cdf(x) + STRAYS * stats.norm.cdf(x + depth) - p)

    return (
        lambda rng, shape: rng.standard_normal(shape),
        lambda p: float(optimize.brentq(below, -depth - 9.0, 9.0, args=(p,))),
    )


def shapes() -> Iterator[tuple[str, tuple[Draw, Quantile], float]]:
    """Name, draw with quantile, and depth of the strays, 0 where there are none."""
    yield "normal", strays(0.0), 0.0
    for spread in (0.3, 0.5, 1.0):
        yield f"lognormal {spread:g}", lognormal(spread, 1.0), 0.0
    for spread in (0.1, 0.3):
        yield f"lognormal {spread:g} to the worse", lognormal(spread, -1.0), 0.0
    student: Draw = lambda rng, shape: rng.standard_t(5.0, shape)  # noqa: E731
    yield "Student 5", (student, lambda p: float(stats.t.ppf(p, 5.0))), 0.0
    for depth in (2.0, 3.0, 4.0, 6.0, 10.0):
        yield f"strays {depth:g} down", strays(depth), depth


def wrong(
    draw: Draw, quantile: Quantile, depth: float, n: int, claim: tuple[float, float], sets: int
) -> tuple[float, float, float]:
    """Shares of wrong passes that count, of all wrong passes, and of wrong fails."""
    coverage, confidence = claim
    rng = np.random.default_rng([SEED, n, int(1000 * coverage), int(depth)])
    values = draw(rng, (sets, n))
    odd = rng.random((sets, n)) < (STRAYS if depth else 0.0)
    values = values - depth * odd
    limit = quantile(1.0 - coverage)
    passed = np.max(judged_bounds(values, coverage, confidence), axis=0) > limit
    said = n < success_run(coverage, confidence)
    told = odd.any(axis=1) if depth and said else np.ones(sets, dtype=bool)
    missed = [reliability_bound(count, n, confidence) > 1.0 - coverage for count in range(n + 1)]
    failed = np.array(missed)[(values < limit).sum(axis=1)] & ~passed
    return float(np.mean(passed & told)), float(np.mean(passed)), float(np.mean(failed))


def power(n: int, claim: tuple[float, float], margin: float, sets: int) -> tuple[float, float]:
    """Share of normal sets that pass, and that would by the normal bound alone."""
    values = np.random.default_rng([SEED, n, int(10 * margin)]).standard_normal((sets, n))
    bound = np.max(judged_bounds(values, *claim), axis=0)
    alone = values.mean(axis=1) - tolerance_factor(n, *claim) * values.std(axis=1, ddof=1)
    return float(np.mean(bound >= -margin)), float(np.mean(alone >= -margin))


def figures(sets: int = SETS) -> Figures:
    """Judge every shape by every claim at every size."""
    table: dict[str, object] = {}
    holds = True
    # Four standard errors of a share of 8 %, for shorter runs.
    slack = 0.0 if sets >= SETS else 4.0 * math.sqrt(0.08 * 0.92 / sets)
    for claim in CLAIMS:
        coverage, confidence = claim
        words = f"{coverage:.0%} with {confidence:.0%}"
        for name, (draw, quantile), depth in shapes():
            cells = [wrong(draw, quantile, depth, n, claim, sets) for n in SIZES]
            rows = zip(*cells, strict=True)
            counted, all_of_them, fails = ([f"{100 * x:.1f}" for x in row] for row in rows)
            table[f"{words}, {name}: wrong passes, % of sets of {SIZES}"] = " ".join(counted)
            if depth:
                table[f"{words}, {name}: with sets without a stray"] = " ".join(all_of_them)
            table[f"{words}, {name}: wrong fails"] = " ".join(fails)
            allowed = 1.0 - confidence + POINTS + slack
            holds &= all(max(passes, failed) <= allowed for passes, _, failed in cells)
        for margin in MARGINS:
            pairs = [power(n, claim, margin, sets) for n in SIZES]
            shown = " ".join(f"{100 * a:.0f} ({100 * b:.0f})" for a, b in pairs)
            table[f"{words}, normal passes at {margin:g} deviations, %"] = shown
    return Figures("tolerance_verdicts", table, holds)


if __name__ == "__main__":
    run(figures)
