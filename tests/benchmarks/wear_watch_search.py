"""Search shifts and weights for the wear watch: ``python -m tests.benchmarks.wear_watch_search``.

An evolution strategy over simulated delays at an in-control run length of 930. Two shifts are
shared by the three directions, and force and resistance weigh alike, so six numbers are sought (as
logarithms). Sought is the least worst ratio to the bound, plus three tenths of the median, plus ten
times whatever the worst delay has above 1.027 times the fastest usual chart. Every candidate sees
the same random numbers. Prints the best of each generation; eight take about five minutes, and the
least costly candidates differ more in weights than in ratios, because the optimum is flat.
"""

import math
import sys

import numpy as np
from numpy.typing import NDArray

from station.statistics.mixture import Mixture
from tests.benchmarks.detection import (
    COURSES,
    DIRECTIONS,
    RUN_LENGTH,
    SEED,
    SHIFTS,
    SLOPES,
    Case,
    best_delay,
    usual_delay,
)
from tests.benchmarks.run_lengths import run_lengths, steady
from tests.benchmarks.usual_charts import USUAL, limit_for

Vector = NDArray[np.float64]

START = np.log([0.5, 1.4, 0.17, 0.17, 0.16, 0.16])
CHILDREN, PARENTS = 10, 4
FIRST_STEP, COOLING = 0.25, 0.94
CANDIDATE_COURSES = 3_000
USUAL_MARGIN = 1.027


def mixture_of(logs: Vector) -> Mixture:
    """Mixture of two shifts (logs 0, 1), their weights for one (2, 3) and for both (4, 5)."""
    shifts = tuple(float(value) for value in np.exp(logs[:2]))
    one, both = np.exp(logs[2:4]), np.exp(logs[4:6])
    weights = np.concatenate([one, one, both]) / (2.0 * one.sum() + both.sum())
    directions = tuple(direction for direction in DIRECTIONS.values() for _ in shifts)
    return Mixture("candidate", directions, shifts * 3, tuple(weights.tolist()))


def threshold_of(mixture: Mixture) -> float:
    """Threshold that gives the run length, by two rounds of interpolation."""
    tried = np.array([4.3, 5.3])
    for _ in range(2):
        lengths = [
            run_lengths(mixture, float(value), steady(2), courses=CANDIDATE_COURSES, seed=SEED).mean
            for value in tried
        ]
        slope = (tried[1] - tried[0]) / math.log(lengths[1] / lengths[0])
        middle = float(tried[0] + slope * math.log(RUN_LENGTH / lengths[0]))
        tried = middle + np.array([-0.05, 0.05])
    return middle


def wanted_cases() -> list[Case]:
    """One direction stands for force and resistance alike."""
    chosen = {name: DIRECTIONS[name] for name in ("force", "both")}
    shifts = [
        Case(f"{name} {size}", direction, size, False)
        for name, direction in chosen.items()
        for size in SHIFTS
    ]
    return shifts + [
        Case(f"force slope {size}", DIRECTIONS["force"], size, True) for size in SLOPES
    ]


def cost(logs: Vector, yardsticks: dict[str, tuple[float, float]]) -> tuple[float, float, float]:
    """What is minimised, the worst ratio to the bound, and the worst to the usual charts."""
    mixture = mixture_of(logs)
    threshold = threshold_of(mixture)
    ratios, against = [], []
    for case in wanted_cases():
        delay = run_lengths(
            mixture, threshold, case.mean(), courses=CANDIDATE_COURSES, seed=SEED
        ).mean
        best, usual = yardsticks[case.name]
        against.append(delay / usual)
        if not case.ramp:
            ratios.append(delay / best)
            if case.direction == DIRECTIONS["force"]:
                ratios.append(delay / best)
    excess = max(0.0, max(against) / USUAL_MARGIN - 1.0)
    total = max(ratios) + 0.3 * float(np.median(ratios)) + 10.0 * excess
    return total, max(ratios), max(against)


def search(generations: int) -> None:
    """Improve on the start, printing the best of every generation."""
    limits = {
        chart.name: limit_for(chart, RUN_LENGTH, courses=COURSES // 2, seed=SEED) for chart in USUAL
    }
    yardsticks = {
        case.name: (
            best_delay(case),
            min(usual_delay(chart, limits[chart.name], case) for chart in USUAL),
        )
        for case in wanted_cases()
    }
    rng = np.random.default_rng(SEED)
    middle, step = START, FIRST_STEP
    for generation in range(generations):
        children = [middle + step * rng.standard_normal(START.size) for _ in range(CHILDREN)]
        ranked = sorted(
            ((*cost(child, yardsticks), child) for child in children), key=lambda c: c[0]
        )
        middle = np.mean([child for *_, child in ranked[:PARENTS]], axis=0)
        step *= COOLING
        _, ratio, against, best = ranked[0]
        found = mixture_of(best)
        print(f"{generation}: worst {ratio:.4f}, against usual {against:.4f},", end=" ")
        print(np.round(found.shifts[:2], 3), np.round(found.weights, 4), flush=True)


if __name__ == "__main__":
    search(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
