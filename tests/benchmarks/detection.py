"""How close the wear watch comes to the best possible: ``python -m tests.benchmarks.detection``.

Every detector watches force and resistance for the worse and is brought to an in-control run
length of 930 samples with a known baseline. A change then happens at the first sample: a lasting
shift, or a ramp with mean slope times t where t is 1 at the first changed sample; in force only, in
resistance only, or in both equally (the size is measured along that direction). Printed are mean
delays in samples, the changed samples that are needed with the one that signals.

The bound is the delay of the one-sided cumulative sum that knows shift and direction beforehand: no
rule has a smaller worst-case delay (Lorden 1971, Moustakides 1986; figures CALC, from the integral
equation). The worst case is over everything that came before. The wear watch starts where its sums
rest on average, not at zero, as usual charts start at their middle; so the bound is a yardstick
here, and three delays stand beside it: ``watch`` for a change at the first sample, ``later`` for
one after 100 good samples, ``zero`` for one that finds every sum at zero, the worst that can be and
strictly what the bound is about. For ramps there is no such bound; beside them stands the best
cumulative sum along the right direction, chosen in hindsight.

Holds where the run length is within 3 %, the ratio of ``watch`` to the bound is at most 1.25 in the
worst case and 1.20 in the median, no usual chart is faster anywhere by more than 3 %, and a change
at the first sample is nowhere found faster than a later one.
"""

import math
import statistics
from dataclasses import dataclass
from typing import Any

import numpy as np

from station.statistics.drift import cusum_run_length, cusum_threshold
from station.statistics.mixture import Mixture
from station.statistics.wear_mixtures import PAIR
from tests.benchmarks.report import Figures, run
from tests.benchmarks.run_lengths import Mean, RunLengths, ramp, run_lengths, shifted, steady
from tests.benchmarks.usual_charts import USUAL, Usual, first_passages, limit_for

RUN_LENGTH = 930.0
SEED = 20261125
COURSES = 20_000
SHIFTS = (0.5, 0.75, 1.0, 1.5, 2.0)
SLOPES = (0.005, 0.01, 0.02, 0.05, 0.1)
DIRECTIONS = {
    "force": (1.0, 0.0),
    "resistance": (0.0, 1.0),
    "both": (math.sqrt(0.5), math.sqrt(0.5)),
}
UNEQUAL = (math.cos(math.pi / 8.0), math.sin(math.pi / 8.0))
"""Halfway between force only and both: a direction that the mixture was not made for."""


@dataclass(frozen=True)
class Case:
    """A change: what changes, how much, and the best that can be done."""

    name: str
    direction: tuple[float, ...]
    size: float
    ramp: bool

    def mean(self, after: int = 0) -> Mean:
        """Mean scores from the change on."""
        return (ramp if self.ramp else shifted)(self.direction, self.size, after)


def cases() -> list[Case]:
    """Every case of the table."""
    shifts = [
        Case(f"{name}, shift {size:g}", direction, size, False)
        for name, direction in {**DIRECTIONS, "3 force + resistance": UNEQUAL}.items()
        for size in SHIFTS
    ]
    ramps = [
        Case(f"{name}, slope {size:g}", direction, size, True)
        for name, direction in DIRECTIONS.items()
        for size in SLOPES
    ]
    return shifts + ramps


def best_delay(case: Case) -> float:
    """Bound for a shift; for a ramp the delay of the best sum in hindsight, by simulation."""
    if not case.ramp:
        half = case.size / 2.0
        return cusum_run_length(half, cusum_threshold(half, RUN_LENGTH), case.size)
    mean = ramp((1.0,), case.size)
    return min(
        run_lengths(
            Mixture("known", ((1.0,),), (shift,), (1.0,)),
            shift * cusum_threshold(shift / 2.0, RUN_LENGTH),
            mean,
            courses=COURSES // 4,
            seed=SEED,
            from_zero=True,
        ).mean
        for shift in (0.3, 0.45, 0.65, 0.9, 1.2, 1.6, 2.1)
    )


def watch_delay(case: Case, *, after: int = 0, from_zero: bool = False) -> RunLengths:
    """Delay of the wear watch."""
    return run_lengths(
        PAIR,
        PAIR.threshold(RUN_LENGTH),
        case.mean(after),
        courses=COURSES,
        seed=SEED,
        after=after,
        from_zero=from_zero,
    )


def usual_delay(usual: Usual, limit: float, case: Case) -> float:
    """Delay of a usual chart."""
    found = first_passages(
        usual.make(COURSES), np.array([limit]), case.mean(), courses=COURSES, seed=SEED
    )
    return float(found.mean())


def measured(case: Case, limits: dict[str, float]) -> dict[str, Any]:
    """One line of the table."""
    at_once = watch_delay(case)
    later = watch_delay(case, after=100)
    best = best_delay(case)
    usual = {chart.name: usual_delay(chart, limits[chart.name], case) for chart in USUAL}
    return {
        "best": best,
        "watch": at_once.mean,
        "watch_error": at_once.error,
        "ratio": at_once.mean / best,
        "later": later.mean,
        "later_error": later.error,
        "zero": watch_delay(case, from_zero=True).mean,
        **usual,
        "fastest_usual": at_once.mean / min(usual.values()),
    }


def figures() -> Figures:
    """Measure the whole table."""
    limits = {
        chart.name: limit_for(chart, RUN_LENGTH, courses=COURSES // 2, seed=SEED) for chart in USUAL
    }
    control = run_lengths(
        PAIR, PAIR.threshold(RUN_LENGTH), steady(2), courses=COURSES, seed=SEED + 1
    )
    table = {case.name: measured(case, limits) for case in cases()}
    # The direction halfway is shown, and is not among the cases that the bound is stated for.
    ratios = [
        table[case.name]["ratio"]
        for case in cases()
        if not case.ramp and case.direction in DIRECTIONS.values()
    ]
    slowest = max(line["fastest_usual"] for line in table.values())
    ready = all(
        line["watch"] >= line["later"] - 3.0 * math.hypot(line["watch_error"], line["later_error"])
        for line in table.values()
    )
    summary = {
        "in_control_run_length": control.mean,
        "in_control_error": control.error,
        "worst_ratio": max(ratios),
        "median_ratio": statistics.median(ratios),
        "worst_ratio_from_zero": max(
            table[case.name]["zero"] / table[case.name]["best"] for case in cases() if not case.ramp
        ),
        "worst_against_fastest_usual": slowest,
        "first_sample_is_hardest": ready,
    }
    holds = (
        abs(control.mean / RUN_LENGTH - 1.0) <= 0.03
        and max(ratios) <= 1.25
        and statistics.median(ratios) <= 1.20
        and slowest <= 1.0 / 0.97
        and ready
    )
    return Figures("detection", {**summary, "cases": table}, holds)


def show(result: Figures) -> None:
    """Print the table for people."""
    table: Any = result.figures["cases"]
    names = [chart.name for chart in USUAL]
    columns = ["best", "watch", "ratio", "later", "zero", *names, "fastest_usual"]
    heads = ["best", "watch", "/best", "later", "zero", "WE", "I-MR", "EWMA", "CUSUM", "/usual"]
    print(f"{'change':<32}" + "".join(f"{head:>8}" for head in heads))
    for name, line in table.items():
        print(f"{name:<32}" + "".join(f"{line[column]:8.3f}" for column in columns))
    for name, value in result.figures.items():
        if name != "cases":
            print(f"{name:<32}{value:8.3f}")


if __name__ == "__main__":
    run(figures, show)
