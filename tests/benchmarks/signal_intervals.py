"""Do the intervals of a change hold when they are first shown? ``python -m
tests.benchmarks.signal_intervals``.

Values with a baseline of 30 and 20 or 100 good ones then jump by 1 or 2 standard deviations, or
drift by 0.01 to 0.05 a value, and are watched at one false alarm in 5,000 (upwards). At the signal
the change is fitted, and it is counted how often the 95 % intervals of the beginning, of the pace,
and of the samples left until the mean has moved by six deviations hold the truth. Changes that
signalled before they began are left out.

Holds where each does in 90 to 98.5 %: the beginning of a jump of two deviations is known to the
sample, so that its interval cannot be narrower."""

import math

import numpy as np

from station.statistics.drift_study import DriftStudy, drift_study
from tests.benchmarks.report import Figures, run

SEED = 20261128
RUNS = 1_000
BASELINE = 30
RUN_LENGTH = 5_000.0
ROOM = 6.0
AFTER = 400
CHANGES = (("jump", 1.0), ("jump", 2.0), ("drift", 0.01), ("drift", 0.02), ("drift", 0.05))


def at_signal(values: list[float]) -> tuple[DriftStudy, int] | None:
    """The study of the values up to its signal, and where that came; None without one."""
    signal = drift_study(values, direction="up", run_length=RUN_LENGTH).signal_index
    if signal is None:
        return None
    seen = values[: BASELINE + signal + 1]
    return drift_study(seen, direction="up", run_length=RUN_LENGTH), signal


def holds_left(study: DriftStudy, slope: float, began: int, signal: int) -> bool:
    """Whether the samples left lie between those of the steepest and the flattest drift."""
    assert study.change is not None
    unit = study.baseline.sigma

    def left(start: float, pace: float) -> float:
        return max(start - 1.0 + ROOM / pace - signal, 0.0) if pace > 0.0 else math.inf

    ramps = study.change.ramps
    low = min(left(start, fast) for start, _, fast in ramps)
    high = max(left(start, slow) for start, slow, _ in ramps)
    return low <= left(began, slope / unit) <= high


def coverage(kind: str, size: float, good: int, seed: int) -> dict[str, float]:
    """Share of intervals that hold the truth."""
    rng = np.random.default_rng([seed, good])
    found: dict[str, list[bool]] = {"beginning": [], "pace": [], "samples left": []}
    for _ in range(RUNS):
        values = rng.standard_normal(BASELINE + good + AFTER)
        since = np.arange(values.size) - BASELINE - good
        values += size * (since >= 0) if kind == "jump" else size * np.maximum(since + 1, 0)
        read = at_signal(values.tolist())
        if read is None or read[1] < good:
            continue
        study, signal = read
        assert study.change is not None
        assert study.slopes is not None
        found["beginning"].append(study.change.began_low <= good <= study.change.began_high)
        if kind == "drift":
            found["pace"].append(study.slopes[1] <= size <= study.slopes[2])
            found["samples left"].append(holds_left(study, size, good, signal))
    return {name: float(np.mean(hits)) for name, hits in found.items() if hits}


def figures() -> Figures:
    """Measure every change."""
    table = {}
    for place, (kind, size) in enumerate(CHANGES):
        for good in (20, 100):
            for name, share in coverage(kind, size, good, SEED + place).items():
                table[f"{kind} {size:g} after {good}: {name}, %"] = 100.0 * share
    return Figures("signal_intervals", table, all(90.0 <= v <= 98.5 for v in table.values()))


if __name__ == "__main__":
    run(figures)
