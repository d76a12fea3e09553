"""False alarms where days differ and samples are not normal: ``python -m
tests.benchmarks.calm_nests``.

Nests in which nothing changes are watched at one false alarm in 930 samples, three samples a day,
with a baseline of 30 from one sitting. Days differ by 0.3, 0.5 or 1.0 of the spread within a day;
or each sample is like the one before it (correlation 0.3); or values are Student's with 5 degrees
of freedom, or lognormal (deviation 0.3 of the logarithm) with the long tail for the better or for
the worse.

From 20 days on record the watch allows for what samples of one day have in common; counted is from
there (a nest that was flagged earlier is watched on). Printed is the mean run length over the
promise, and the share of nests flagged within the first 20 days, in which days are taken as alike:
6 % would be an even share, and the head start of a new nest makes it twice that. Holds where the
run length is at least half the promise in every case."""

import math

import numpy as np

from station.statistics.wear_watch import Values, evidence, start_and_level
from tests.benchmarks.report import Figures, run

SEED = 20261128
RUN_LENGTH = 930.0
NESTS = 120
BASELINE = 30
A_DAY = 3
KNOWN_FROM = 20 * A_DAY
LENGTH = KNOWN_FROM + 1_500
LOG_SPREAD = 0.3


def values(kind: str, size: float, n: int, rng: np.random.Generator, *, one_day: bool) -> Values:
    """Shape (n, 2): unchanged samples of mean 0 and deviation 1 (within a day)."""
    noise = rng.standard_normal((n, 2))
    if kind == "days differ by":
        day = np.zeros(n, dtype=np.intp) if one_day else np.arange(n) // A_DAY
        noise += size * rng.standard_normal((n, 2))[day]
        return noise
    if kind == "neighbours, correlation":
        for place in range(1, n):
            noise[place] = size * noise[place - 1] + math.sqrt(1.0 - size**2) * noise[place]
        return noise
    if kind == "Student":
        drawn: Values = rng.standard_t(size, (n, 2)) / math.sqrt(size / (size - 2.0))
        return drawn
    if kind == "lognormal":
        spread = math.sqrt(math.exp(LOG_SPREAD**2) - 1.0)
        return np.asarray(size * (np.exp(LOG_SPREAD * noise - LOG_SPREAD**2 / 2.0) - 1.0) / spread)
    return noise


def run_length(kind: str, size: float, seed: int) -> tuple[float, float]:
    """Mean run length from 20 days on, over the promise; share flagged before."""
    rng = np.random.default_rng(seed)
    head, level = start_and_level(RUN_LENGTH)
    joints, days = np.zeros(LENGTH, dtype=np.intp), np.arange(LENGTH) // A_DAY
    spent, alarms, early = 0, 0, 0
    for _ in range(NESTS):
        baseline = values(kind, size, BASELINE, rng, one_day=True)
        worse = values(kind, size, LENGTH, rng, one_day=False)
        worse = (worse - baseline.mean(axis=0)) / baseline.std(axis=0, ddof=1)
        found, soon = LENGTH, False
        for first, sums in evidence(worse, joints, [BASELINE], head_start=head, sittings=days):
            over = first + np.flatnonzero(sums.sum(axis=0) > level)
            soon |= bool(np.any(over < KNOWN_FROM))
            if np.any(over >= KNOWN_FROM):
                found = int(over[over >= KNOWN_FROM][0]) + 1
                alarms += 1
                break
        spent += found - KNOWN_FROM
        early += soon
    return spent / max(alarms, 1) / RUN_LENGTH, early / NESTS


CASES = (
    ("alike and normal", 0.0), ("days differ by", 0.3), ("days differ by", 0.5),
    ("days differ by", 1.0), ("neighbours, correlation", 0.3), ("Student", 5.0),
    ("lognormal", 1.0), ("lognormal", -1.0),
)  # fmt: skip


def figures() -> Figures:
    """Measure every case."""
    table = {}
    holds = True
    for place, (kind, size) in enumerate(CASES):
        ratio, early = run_length(kind, size, SEED + place)
        table[f"{kind} {size:g}: run length over the promise"] = ratio
        table[f"{kind} {size:g}: flagged in the first 20 days"] = early
        holds &= ratio >= 0.5
    return Figures("calm_nests", table, holds)


if __name__ == "__main__":
    run(figures)
