"""How often an interval holds the true splice: ``python -m tests.benchmarks.splice_coverage``.

Draws splices of random size, span, temperature and meter; every error that a budget lists is drawn
from the distribution the budget assumes for it (rectangular for a specification, normal for the
rest). Counts how often the 95 % interval holds the true resistance, and how often a splice exactly
at its limit is passed, over twenty times as many splices. Holds when coverage lies in 94 to 96 % by
length, by reference and by a measured reel, is at least 94 % where only the standard of the wire is
known and the reel lies anywhere in its band, and false acceptance at the limit is at most 5 %.
"""

import math
from dataclasses import dataclass

import numpy as np

from calibration.uncertainty import Contribution, coverage_factor, repeatability
from station.crimp.resistance import (
    PerMetre,
    ReferenceReading,
    SpliceResistance,
    WireSpan,
    of_band,
    of_reel,
    reduce_by_length,
    reduce_by_reference,
)
from station.crimp.verdict import Verdict, judge_at_most
from station.crimp.wire import (
    MATERIALS,
    awg,
    metric,
    resistance_ohm_per_m,
    sae,
    temperature_factor,
)
from station.crimp.wire_tables import band_of
from tests.benchmarks.report import Figures, run

COPPER = MATERIALS["copper"]
SPLICES = 20_000
ACCEPTANCE_ROUNDS = 20
"""False acceptance is counted over so many times as many splices: one in twenty is few to count."""

SEED = 20261125


@dataclass(frozen=True)
class World:
    """One bench on one day: what is true, and how well it is known."""

    truth_ohm: float
    gauge: int
    span_m: float
    temperature_c: float
    scale_bound: float
    noise_ohm: float
    u_span_m: float
    u_wire: float
    u_temperature_k: float

    @property
    def per_metre(self) -> float:
        """Nominal ohm per metre at 20 °C."""
        return resistance_ohm_per_m(awg(self.gauge))


def draw_world(rng: np.random.Generator) -> World:
    """A random bench, splice and day."""
    return World(
        truth_ohm=float(np.exp(rng.uniform(np.log(5e-5), np.log(2e-3)))),
        gauge=int(rng.choice([10, 12, 14, 16, 18, 20, 22])),
        span_m=float(rng.uniform(0.04, 0.16)),
        temperature_c=float(rng.uniform(5.0, 38.0)),
        scale_bound=float(rng.uniform(0.0002, 0.002)),
        noise_ohm=float(np.exp(rng.uniform(np.log(2e-7), np.log(5e-6)))),
        u_span_m=float(rng.uniform(0.0002, 0.001)),
        u_wire=float(rng.uniform(0.002, 0.012)),
        u_temperature_k=float(rng.uniform(0.3, 2.0)),
    )


def read(
    true_ohm: float, scale: float, world: World, repeats: int, rng: np.random.Generator
) -> tuple[float, Contribution]:
    """Mean of noisy repeats on a meter that is off by ``scale``, with its repeatability line."""
    values = true_ohm * scale + rng.normal(0.0, world.noise_ohm, repeats)
    mean, u, dof = repeatability(values.tolist())
    return mean, Contribution("repeatability", u, dof)


def by_length(world: World, repeats: int, rng: np.random.Generator) -> SpliceResistance:
    """Measure a splice by the length of its wire."""
    wire = world.per_metre * rng.normal(1.0, world.u_wire)
    length = rng.normal(world.span_m, world.u_span_m)
    true_c = rng.normal(world.temperature_c, world.u_temperature_k)
    between = world.truth_ohm + wire * length * temperature_factor(COPPER, true_c)
    scale = rng.uniform(1.0 - world.scale_bound, 1.0 + world.scale_bound)
    mean, repeat_line = read(between, scale, world, repeats, rng)
    accuracy = Contribution("meter accuracy", mean * world.scale_bound / math.sqrt(3.0))
    span = WireSpan(awg(world.gauge), COPPER, world.span_m, world.u_span_m, world.u_wire)
    return reduce_by_length(
        mean,
        [accuracy, repeat_line],
        [span],
        temperature_c=world.temperature_c,
        u_temperature_k=world.u_temperature_k,
    )


def by_reference(world: World, repeats: int, rng: np.random.Generator) -> SpliceResistance:
    """Measure a splice by an unbroken span of the same reel."""
    wire = world.per_metre * rng.normal(1.0, 0.05)
    scale = rng.uniform(1.0 - world.scale_bound, 1.0 + world.scale_bound)
    lengths = rng.normal(world.span_m, world.u_span_m, 2)
    true_c = world.temperature_c + rng.normal(0.0, world.u_temperature_k) * np.array([1.0, 0.0])
    shares = [
        wire * float(length) * temperature_factor(COPPER, float(at))
        for length, at in zip(lengths, true_c, strict=True)
    ]
    mean, repeat_line = read(world.truth_ohm + shares[0], scale, world, repeats, rng)
    reference, reference_line = read(shares[1], scale, world, repeats, rng)
    return reduce_by_reference(
        mean,
        [repeat_line],
        ReferenceReading(reference, (reference_line,), world.span_m, world.temperature_c),
        span_m=world.span_m,
        u_span_m=world.u_span_m,
        u_scale_fraction=world.scale_bound / math.sqrt(3.0),
        temperature_c=world.temperature_c,
        u_temperature_k=world.u_temperature_k,
    )


SIZES = [*map(awg, (10, 14, 18, 22)), sae(16), *map(metric, (0.35, 0.5, 0.75, 1.5, 6.0, 16.0))]


def by_reel(world: World, repeats: int, rng: np.random.Generator) -> SpliceResistance:
    """Measure a splice on a reel of any wire whose ohm per metre was measured."""
    wire = resistance_ohm_per_m(SIZES[rng.integers(len(SIZES))]) * rng.uniform(0.9, 1.15)
    measured = wire * rng.normal(1.0, world.u_wire)
    return on_wire(world, wire, of_reel(measured, world.u_wire), repeats, rng)


def by_band(world: World, repeats: int, rng: np.random.Generator) -> SpliceResistance:
    """Measure a splice on a reel anywhere in the band of its standard, which alone is known."""
    size = SIZES[rng.integers(len(SIZES))]
    band = band_of(size)
    wire = rng.uniform(band.low_ohm_per_m, band.high_ohm_per_m)
    return on_wire(world, wire, of_band(size), repeats, rng)


def on_wire(
    world: World, wire: float, known: PerMetre, repeats: int, rng: np.random.Generator
) -> SpliceResistance:
    """Measure a splice on a wire that is known otherwise than by its nominal size."""
    length = rng.normal(world.span_m, world.u_span_m)
    true_c = rng.normal(world.temperature_c, world.u_temperature_k)
    between = world.truth_ohm + wire * length * temperature_factor(COPPER, true_c)
    scale = rng.uniform(1.0 - world.scale_bound, 1.0 + world.scale_bound)
    mean, repeat_line = read(between, scale, world, repeats, rng)
    accuracy = Contribution("meter accuracy", mean * world.scale_bound / math.sqrt(3.0))
    span = WireSpan(SIZES[0], COPPER, world.span_m, world.u_span_m, per_metre=known)
    return reduce_by_length(
        mean,
        [accuracy, repeat_line],
        [span],
        temperature_c=world.temperature_c,
        u_temperature_k=world.u_temperature_k,
    )


METHODS = {
    "by length": by_length,
    "by reference": by_reference,
    "by reel": by_reel,
    "by the band of the standard": by_band,
}


def figures(splices: int = SPLICES, seed: int = SEED) -> Figures:
    """Coverage and false acceptance for each method and two numbers of repeats."""
    table: dict[str, float] = {}
    holds = True
    drawn = ACCEPTANCE_ROUNDS * splices
    for name, method in METHODS.items():
        for repeats in (3, 10):
            rng = np.random.default_rng([seed, repeats])
            covered = accepted = 0
            for count in range(drawn):
                world = draw_world(rng)
                result = method(world, repeats, rng)
                if count < splices:
                    off = abs(result.splice_ohm - world.truth_ohm)
                    covered += off <= coverage_factor(0.975, result.effective_dof) * result.u_ohm
                judged = judge_at_most(
                    result.splice_ohm, result.u_ohm, world.truth_ohm, dof=result.effective_dof
                )
                accepted += judged.verdict is Verdict.PASS
            key = f"{name}, {repeats} repeats"
            table[f"{key}: coverage %"] = 100.0 * covered / splices
            table[f"{key}: accepted at the limit %"] = 100.0 * accepted / drawn
            holds &= covered / splices >= 0.94
            holds &= covered / splices <= 0.96 or method is by_band
            holds &= accepted / drawn <= 0.05
    return Figures("splice_coverage", table, holds)


if __name__ == "__main__":
    run(figures)
