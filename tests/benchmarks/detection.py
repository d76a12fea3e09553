"""How close the wear watch comes to the best possible: ``python -m tests.benchmarks.detection``.

Every detector watches force and resistance for the worse and is brought to an in-control run
length of 930 samples with a known baseline. A change then happens: a lasting shift, or a ramp with
mean slope times t where t is 1 at the first changed sample; in force only, in resistance only, or
in both equally (the size is measured along that direction). Printed are mean delays in samples, the
changed samples that are needed with the one that signals.

The bound is the delay of the one-sided cumulative sum that knows shift and direction beforehand: no
rule has a smaller worst-case delay (Lorden 1971, Moustakides 1986; figures by integral equation
[calc]). For ramps there is no such bound; beside them stands the best cumulative sum along the
right direction, chosen in hindsight. Two tables:

*A change at the first sample.* Every chart stands where it starts: the usual ones at their middle,
the bound's sum at zero, the worst that can be, and the wear watch where its sums rest on average.
``zero`` is the wear watch with every sum at zero: strictly, only that is what the bound is about.

*A change after 100 good samples*, the more usual case. Nobody stands where he started, the bound's
own sum neither: it is let run as long (exactly, ``steady_state``), and that is the stricter test.

Holds, in the words of the requirement, for a change at the first sample: the run length is within
3 %, the ratio of ``watch`` to the bound is at most 1.25 in the worst case and 1.20 in the median,
no usual chart is faster anywhere by more than 3 %, and a change at the first sample is nowhere
found faster than a later one. ``zero`` and the second table do not meet 1.25 and are printed as
they are; see ``station/data/wear_mixtures.toml`` for what was tried.
"""

import copy
import math
import statistics
from dataclasses import dataclass
from typing import Any

import numpy as np

from station.statistics.mixture import Mixture
from station.statistics.wear_mixtures import PAIR
from tests.benchmarks.cusum_run_lengths import cusum_threshold
from tests.benchmarks.report import Figures, run
from tests.benchmarks.run_lengths import Mean, RunLengths, ramp, run_lengths, shifted, steady
from tests.benchmarks.steady_state import cusum_delay_after
from tests.benchmarks.usual_charts import (
    USUAL,
    Chart,
    Usual,
    after_good_samples,
    first_passages,
    limit_for,
)

RUN_LENGTH = 930.0
SEED = 20261125
COURSES = 20_000
GOOD_SAMPLES = 100
MOST_WORST, MOST_MEDIAN = 1.25, 1.20
SHIFTS = (0.5, 0.75, 1.0, 1.5, 2.0)
SLOPES = (0.005, 0.01, 0.02, 0.05, 0.1)
DIRECTIONS = {
    "force": (1.0, 0.0),
    "resistance": (0.0, 1.0),
    "both": (math.sqrt(0.5), math.sqrt(0.5)),
}
UNEQUAL = (math.cos(math.pi / 8.0), math.sin(math.pi / 8.0))
"""Halfway between force only and both: a direction that the mixture was not made for."""


Line = dict[str, float]


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


def best_delay(case: Case, *, after: int = 0) -> float:
    """Bound for a shift; for a ramp the delay of the best sum in hindsight, by simulation."""
    if not case.ramp:
        half = case.size / 2.0
        return cusum_delay_after(half, cusum_threshold(half, RUN_LENGTH), case.size, after)
    mean = ramp((1.0,), case.size, after)
    return min(
        run_lengths(
            Mixture("known", ((1.0,),), (shift,), (1.0,)),
            shift * cusum_threshold(shift / 2.0, RUN_LENGTH),
            mean,
            courses=COURSES // 4,
            seed=SEED,
            after=after,
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


def at_first_sample(case: Case, limits: dict[str, float]) -> Line:
    """One line of the first table."""
    watch = watch_delay(case)
    best = best_delay(case)
    usual = {chart.name: usual_delay(chart, limits[chart.name], case) for chart in USUAL}
    return {
        "best": best,
        "watch": watch.mean,
        "watch_error": watch.error,
        "ratio": watch.mean / best,
        "zero": watch_delay(case, from_zero=True).mean,
        **usual,
        "against_usual": watch.mean / min(usual.values()),
    }


def after_a_while(case: Case, limits: dict[str, float], warm: dict[str, tuple[Chart, int]]) -> Line:
    """One line of the second table."""
    watch = watch_delay(case, after=GOOD_SAMPLES)
    best = best_delay(case, after=GOOD_SAMPLES)
    usual = {}
    for name, (chart, courses) in warm.items():
        found = first_passages(
            copy.deepcopy(chart), np.array([limits[name]]), case.mean(), courses=courses, seed=SEED
        )
        usual[name] = float(found.mean())
    return {
        "best": best,
        "watch": watch.mean,
        "watch_error": watch.error,
        "ratio": watch.mean / best,
        **usual,
        "against_usual": watch.mean / min(usual.values()),
    }


def summary_of(table: dict[str, Line], column: str = "watch") -> tuple[float, float]:
    """Worst and median ratio of a column to the bound.

    The direction halfway is shown, and is not among the cases that the bound is stated for.
    """
    ratios = [
        table[case.name][column] / table[case.name]["best"]
        for case in cases()
        if not case.ramp and case.direction in DIRECTIONS.values()
    ]
    return max(ratios), statistics.median(ratios)


def figures() -> Figures:
    """Measure both tables."""
    limits = {
        chart.name: limit_for(chart, RUN_LENGTH, courses=COURSES // 2, seed=SEED) for chart in USUAL
    }
    warm = {
        chart.name: after_good_samples(
            chart, limits[chart.name], GOOD_SAMPLES, courses=COURSES, seed=SEED + 2
        )
        for chart in USUAL
    }
    control = run_lengths(
        PAIR, PAIR.threshold(RUN_LENGTH), steady(2), courses=COURSES, seed=SEED + 1
    )
    first = {case.name: at_first_sample(case, limits) for case in cases()}
    later = {case.name: after_a_while(case, limits, warm) for case in cases()}
    worst, median = summary_of(first)
    worst_later, median_later = summary_of(later)
    slowest = max(line["against_usual"] for line in first.values())
    slowest_later = max(line["against_usual"] for line in later.values())
    ready = all(
        line["watch"] >= later[name]["watch"]
        - 3.0 * math.hypot(line["watch_error"], later[name]["watch_error"])
        for name, line in first.items()
    )  # fmt: skip
    summary = {
        "in_control_run_length": control.mean,
        "in_control_error": control.error,
        "worst_ratio": worst,
        "median_ratio": median,
        "worst_against_fastest_usual": slowest,
        "first_sample_is_hardest": ready,
        "worst_ratio_from_zero": summary_of(first, "zero")[0],
        "median_ratio_from_zero": summary_of(first, "zero")[1],
        "worst_ratio_later": worst_later,
        "median_ratio_later": median_later,
        "worst_against_fastest_usual_later": slowest_later,
    }
    holds = (
        abs(control.mean / RUN_LENGTH - 1.0) <= 0.03
        and worst <= MOST_WORST
        and median <= MOST_MEDIAN
        and slowest <= 1.0 / 0.97
        and ready
    )
    return Figures("detection", {**summary, "cases": first, "cases_later": later}, holds)


def show(result: Figures) -> None:
    """Print the tables for people."""
    names = {
        "best": "best", "watch": "watch", "ratio": "/best", "zero": "zero",
        **dict(zip((chart.name for chart in USUAL), ("WE", "I-MR", "EWMA", "CUSUM"), strict=True)),
        "against_usual": "/usual",
    }  # fmt: skip
    for key, words in (
        ("cases", "change at the first sample"),
        ("cases_later", f"change after {GOOD_SAMPLES} good samples"),
    ):
        table: Any = result.figures[key]
        columns = [name for name in names if name in next(iter(table.values()))]
        print(f"{words:<32}" + "".join(f"{names[column]:>9}" for column in columns))
        for name, line in table.items():
            print(f"{name:<32}" + "".join(f"{line[column]:9.3f}" for column in columns))
    for name, value in result.figures.items():
        if not name.startswith("cases"):
            print(f"{name:<34}{value:8.3f}")


if __name__ == "__main__":
    run(figures, show)
