"""Verdicts on calibrated instruments: ``python -m tests.benchmarks.calibration_verdicts``.

Draws instruments with a true zero error, scale error and unevenness; calibrates each against
references whose true values are drawn from their certificate's uncertainty; lets it drift within
its stated bound; then measures an item exactly at its limit. Counts wrong passes, wrong fails and
how often the 95 % interval holds the truth. An item just on the wrong side of its limit is wrongly
passed at most as often as one at it, so 5 % at the limit is the promise for all. Holds when wrong
passes are at most 5 % and coverage is at least 95 %, both as counted, and wrong fails are at most
5 % within one standard error of the count (printed; a thirtieth of a point). Wrong fails of a pull
have no room below 5 %: an uncertainty in proportion to the value is a little smaller for a value
that came out low.
"""

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from calibration.standing import CalibrationLine, CalibrationPoint
from calibration.uncertainty import Budget, coverage_factor
from calibration.worth import (
    ForceWorth,
    OhmWorth,
    force_budget,
    reading_budget,
)
from station.crimp.verdict import Verdict, judge_at_least, judge_at_most
from tests.benchmarks.report import Figures, run

INSTRUMENTS = 400_000
SEED = 20261125
REPEATS = 5


@dataclass(frozen=True)
class Instrument:
    """What is true of one instrument, in units of its full scale."""

    offset: float
    scale: float
    unevenness: float
    noise: float
    digit: float

    def read(self, truth: float, rng: np.random.Generator, repeats: int) -> list[float]:
        """Readings of one item: its own unevenness, noise, and whole digits."""
        mean = self.offset + self.scale * truth + rng.normal(0.0, self.unevenness)
        noisy = mean + rng.normal(0.0, self.noise, repeats)
        return [float(value) for value in np.round(noisy / self.digit) * self.digit]


def draw_instrument(rng: np.random.Generator) -> Instrument:
    """A random instrument."""
    return Instrument(
        offset=float(rng.normal(0.0, 2e-3)),
        scale=float(rng.normal(1.0, 0.01)),
        unevenness=float(np.exp(rng.uniform(np.log(1e-4), np.log(2e-3)))),
        noise=float(np.exp(rng.uniform(np.log(1e-5), np.log(2e-4)))),
        digit=1e-5,
    )


def calibrated(
    instrument: Instrument, rng: np.random.Generator, full_scale: float, repeats: int
) -> tuple[CalibrationLine, float]:
    """Its line from a calibration, in units of ``full_scale``, and its scale after drifting.

    Each reference is read as the instrument is read at work: ``repeats`` times, and averaged.
    """
    u_reference = float(rng.uniform(2e-4, 2e-3))
    drift = float(rng.uniform(0.0, 3e-3))
    nominal = np.linspace(0.05, 1.0, int(rng.integers(5, 12)))
    # One laboratory, one chain of standards: its error is common to all references.
    error = rng.normal(0.0, u_reference)
    points = [
        CalibrationPoint(
            float(x) * full_scale,
            float(x) * u_reference * full_scale,
            float(np.mean(instrument.read(float(x) * (1.0 + error), rng, repeats))) * full_scale,
        )
        for x in nominal
    ]
    return CalibrationLine.through(points, drift), 1.0 + float(rng.uniform(-drift, drift))


def verdict_on_resistance(rng: np.random.Generator) -> tuple[Verdict, bool]:
    """Measure a resistance exactly at its limit; the verdict, and whether 95 % hold the truth."""
    full_scale, truth = 10e-3, float(rng.uniform(0.1, 0.9))
    instrument = draw_instrument(rng)
    line, drifted = calibrated(instrument, rng, full_scale, REPEATS)
    readings = [r * full_scale for r in instrument.read(truth * drifted, rng, REPEATS)]
    worth = OhmWorth(0.0, 0.0, full_scale, instrument.digit * full_scale, line)
    value, lines = reading_budget(readings, worth)
    budget, limit = Budget.of(lines), truth * full_scale
    judged = judge_at_most(value, budget.u, limit, dof=budget.effective_dof)
    half_width = coverage_factor(0.975, budget.effective_dof) * budget.u
    return judged.verdict, abs(value - limit) <= half_width


def verdict_on_force(rng: np.random.Generator) -> tuple[Verdict, bool]:
    """Pull a sample exactly at its limit, once; the verdict, and whether 95 % hold the truth."""
    full_scale, truth = 500.0, float(rng.uniform(0.1, 0.9))
    # A pull has no repeats, and neither has a force of a calibration's series.
    instrument = draw_instrument(rng)
    line, drifted = calibrated(instrument, rng, full_scale, 1)
    reading = instrument.read(truth * drifted, rng, 1)[0] * full_scale
    worth = ForceWorth(0.0, instrument.digit * full_scale, None, None, line)
    value, budget = force_budget(reading, worth)
    limit = truth * full_scale
    judged = judge_at_least(value, budget.u, limit, dof=budget.effective_dof)
    half_width = coverage_factor(0.975, budget.effective_dof) * budget.u
    return judged.verdict, abs(value - limit) <= half_width


WAYS = {"resistance": verdict_on_resistance, "force": verdict_on_force}


def figures(instruments: int = INSTRUMENTS, seed: int = SEED) -> Figures:
    """Wrong verdicts at the limit and coverage, for both instruments."""
    table: dict[str, float] = {}
    counting_error = math.sqrt(0.05 * 0.95 / instruments)
    table["counting error of each share %"] = 100.0 * counting_error
    holds = True
    for number, (name, measure) in enumerate(WAYS.items()):
        rng = np.random.default_rng([seed, number])
        verdicts: Counter[Verdict] = Counter()
        covered = 0
        for _ in range(instruments):
            verdict, inside = measure(rng)
            verdicts[verdict] += 1
            covered += inside
        shares = {v: verdicts[v] / instruments for v in (Verdict.PASS, Verdict.FAIL)}
        table[f"{name}: passed at the limit %"] = 100.0 * shares[Verdict.PASS]
        table[f"{name}: failed at the limit %"] = 100.0 * shares[Verdict.FAIL]
        table[f"{name}: 95 % interval holds the truth %"] = 100.0 * covered / instruments
        holds &= shares[Verdict.PASS] <= 0.05 and covered / instruments >= 0.95
        holds &= shares[Verdict.FAIL] <= 0.05 + counting_error
    return Figures("calibration_verdicts", table, holds)


if __name__ == "__main__":
    run(figures)
