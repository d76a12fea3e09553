"""Make the tables of run lengths in ``station/data/wear_mixtures.toml``.

``python -m tests.benchmarks.wear_watch_tables`` simulates thresholds from 1 nat up in steps of a
half and prints the mean run lengths. Above 7 nats the alarms become few, and the run length grows
by the factor e per nat (fitted slopes 1.000 to 1.004): there the table follows a straight line
fitted to the logarithms from 6 nats on, each point weighted by its alarms. Takes some 20 minutes.
"""

import math

import numpy as np
from numpy.typing import NDArray

from station.statistics.mixture import Mixture
from station.statistics.wear_mixtures import ONE_WAY, PAIR, THRESHOLDS, TWO_WAY

STEPS = np.asarray(THRESHOLDS)
SAMPLES = 120_000_000
"""Samples simulated per threshold."""
COURSES = 2_000
BLOCK = 250
LINE_FROM, COUNTED_TO = 6.0, 7.0
LONGEST = 10.5
"""Highest threshold simulated: false alarms above it are too few to count."""


def counted_run_length(mixture: Mixture, threshold: float, seed: int) -> tuple[float, int]:
    """Mean run length as samples over alarms, courses starting again at every alarm."""
    rng = np.random.default_rng(seed)
    alarms = samples = 0
    start = np.tile(mixture.resting, (COURSES, 1))
    while samples < SAMPLES:
        scores = rng.standard_normal((BLOCK, COURSES, mixture.means.shape[1]), dtype=np.float32)
        sums = mixture.sums(scores, start)
        over: NDArray[np.bool_] = mixture.evidence(sums) > threshold
        hit = np.asarray(over.any(axis=0))
        at = over.argmax(axis=0)
        # What follows an alarm in its block is not used: the course starts again with the next.
        samples += int(np.where(hit, at + 1, BLOCK).sum())
        alarms += int(hit.sum())
        start = np.where(hit[:, None], mixture.resting, sums[-1])
    return samples / alarms, alarms


def smoothed(lengths: list[float], alarms: list[int], steps: list[float]) -> list[float]:
    """Run lengths at every one of ``STEPS``: as counted, then by the line."""
    fitted = [place for place, step in enumerate(steps) if step >= LINE_FROM]
    line = np.polynomial.Polynomial.fit(
        [steps[place] for place in fitted],
        [math.log(lengths[place]) for place in fitted],
        1,
        w=[math.sqrt(alarms[place]) for place in fitted],
    )
    counted = [length for length, step in zip(lengths, steps, strict=True) if step <= COUNTED_TO]
    return [
        float(f"{length:.4g}")
        for length in counted + [math.exp(line(step)) for step in STEPS[len(counted) :]]
    ]


def table(mixture: Mixture, seed: int) -> list[float]:
    """Smoothed run lengths of a mixture."""
    steps = [float(step) for step in STEPS if step <= LONGEST]
    counted = [counted_run_length(mixture, step, seed + place) for place, step in enumerate(steps)]
    return smoothed([length for length, _ in counted], [count for _, count in counted], steps)


if __name__ == "__main__":
    for name, mixture in (("PAIR", PAIR), ("ONE_WAY", ONE_WAY), ("TWO_WAY", TWO_WAY)):
        print(name, table(mixture, 1000), flush=True)
