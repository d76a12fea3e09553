"""How soon stray weak crimps are named: ``python -m tests.benchmarks.strays``.

Nests make one stray crimp in twenty, ten or five, at random among good ones, from the first sample
after the baseline or after 100 good samples. A nest's strays are weak in force, high in resistance
or both, alike often; every stray lies 2.5 to 8 deviations off, evenly drawn (the rule asks about 3
and 5). Baselines of 20, 30 and 100. Printed are the share named within 120 samples, the sample by
which nine nests in ten are named, and the median; then strays of one depth only, the share of
nests with a lasting loss of one deviation that are taken for strays, and the share of stray nests
of which the wear watch speaks first.

In control: mean run length over the promise of 5,000, and the share flagged within 250 samples
(promised 4.9 %), for normal crimps and for such with longer tails. A run length is that of at most
5,000 samples of each nest (where none is flagged, one counts as flagged).

Holds where the promise is kept to a tenth, or better, with every baseline for normal crimps and for
Student's with five degrees of freedom, and one stray in ten is named within 120 samples in nine
nests of ten with every baseline."""

import math

import numpy as np
from numpy.typing import NDArray

from station.statistics.stray_watch import LEVEL, likelihoods, scores, stray_sum
from station.statistics.wear_watch import DEFAULT_RUN_LENGTH, Values
from tests.benchmarks.calm_nests import values
from tests.benchmarks.detection import signals
from tests.benchmarks.report import Figures, run

SEED = 20261129
NESTS = 1_000
BASELINES = (20, 30, 100)
WITHIN = 120
HORIZON = 400
CALM_NESTS, CALM_LENGTH = 200, 5_000
CHUNK = 50
DEPTHS = (2.5, 8.0)
KINDS = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])


def nests(
    baseline: int, n: int, many: int, seed: int, *, share: float = 0.0, good: int = 0,
    depths: tuple[float, float] = DEPTHS, shift: float = 0.0, kind: tuple[str, float] = ("", 0.0),
) -> Values:  # fmt: skip
    """Shape (n, 2, many): distances of nests from baselines of their own, worse counted up."""
    rng = np.random.default_rng([SEED, seed])

    def crimps(number: int) -> Values:
        if kind[0]:
            each = [values(*kind, number, rng, one_day=True) for _ in range(many)]
            return np.stack(each, axis=2)
        return rng.standard_normal((number, 2, many))

    before, worse = crimps(baseline), crimps(n)
    stray = (rng.random((n, many)) < share) * rng.uniform(*depths, (n, many))
    stray[:good] = 0.0
    worse += stray[:, None] * KINDS[rng.integers(3, size=many)].T
    worse[:, 0] += shift
    return np.asarray((worse - before.mean(axis=0)) / before.std(axis=0, ddof=1))


def named(worse: Values, baseline: int, run_length: float = DEFAULT_RUN_LENGTH) -> Values:
    """Sample, from 1, at which each nest is named; infinite where it is not."""
    joints: NDArray[np.intp] = np.zeros(len(worse), dtype=np.intp)
    over = stray_sum(likelihoods(scores(worse, joints, [baseline]))) > LEVEL * run_length
    return np.where(over.any(axis=0), over.argmax(axis=0) + 1.0, math.inf)


def calm(baseline: int, seed: int, kind: tuple[str, float] = ("", 0.0)) -> tuple[float, float]:
    """Mean run length over the promise, and the share flagged within 250 samples."""
    found = np.concatenate(
        [
            named(nests(baseline, CALM_LENGTH, CHUNK, seed + part, kind=kind), baseline)
            for part in range(0, CALM_NESTS, CHUNK)
        ]
    )
    spent = np.minimum(found, CALM_LENGTH).sum() / max(int(np.isfinite(found).sum()), 1)
    return float(spent / DEFAULT_RUN_LENGTH), float(np.mean(found <= 250.0))


def figures() -> Figures:
    """Measure everything."""
    table: dict[str, object] = {}
    holds = True
    for baseline in BASELINES:
        ratio, early = calm(baseline, 1_000)
        table[f"in control, baseline {baseline}: run length over the promise"] = ratio
        table[f"in control, baseline {baseline}: flagged within 250"] = early
        holds &= ratio >= 0.9
        for place, share in enumerate((0.05, 0.1, 0.2)):
            worse = nests(baseline, HORIZON, NESTS, place, share=share)
            found = named(worse, baseline)
            words = f"1 in {1 / share:.0f}, baseline {baseline}"
            table[f"{words}: named within {WITHIN}"] = float(np.mean(found <= WITHIN))
            table[f"{words}: nine in ten within"] = float(np.quantile(found, 0.9))
            table[f"{words}: median"] = float(np.median(found))
            if share == 0.1:
                holds &= float(np.mean(found <= WITHIN)) >= 0.9
            if baseline == 30:
                late = named(nests(30, 100 + HORIZON, NESTS, 5, share=share, good=100), 30)
                later = late[late > 100] - 100
                table[f"{words}, after 100 good: nine in ten within"] = float(
                    np.quantile(later, 0.9)
                )
                first = signals(worse[:WITHIN, :, :500], 30, DEFAULT_RUN_LENGTH) < found[:500]
                table[f"{words}: the wear watch speaks first"] = float(np.mean(first))
    for depth in (2.5, 3.0, 4.0, 6.0):
        found = named(nests(30, HORIZON, NESTS, 7, share=0.1, depths=(depth, depth)), 30)
        table[f"1 in 10, all {depth:g} deviations off, baseline 30: named within {WITHIN}"] = float(
            np.mean(found <= WITHIN)
        )
    lost = nests(30, WITHIN, 500, 8, shift=1.0)
    taken = named(lost, 30) < signals(lost, 30, DEFAULT_RUN_LENGTH)
    table["a lasting loss of one deviation first taken for strays"] = float(np.mean(taken))
    for kind in (("Student", 5.0), ("lognormal", 1.0), ("lognormal", -1.0)):
        ratio, early = calm(30, 2_000, kind)
        table[f"not normal, {kind[0]} {kind[1]:g}: run length over the promise"] = ratio
        table[f"not normal, {kind[0]} {kind[1]:g}: flagged within 250"] = early
        holds &= ratio >= 0.9 or kind[0] != "Student"
    return Figures("strays", table, bool(holds))


if __name__ == "__main__":
    run(figures)
