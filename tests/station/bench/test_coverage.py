"""How often the bench's own interval holds the true splice, every error drawn in a world apart."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from calibration.uncertainty import coverage_factor
from calibration.worth import OhmWorth
from station.bench.between import BetweenClips
from station.bench.sample_entry import reduce_reading
from station.bench.temperature import Temperature
from station.crimp.facts import shipped_book
from station.crimp.wire import parse_size
from station.crimp.wire_tables import band_of
from station.ledger.entries import Joint, ReelAdded
from station.settings import FixtureSettings
from station.shop.reels import Reel, measured_reel
from station.simulation.physics import COPPER_PER_K

SIZES = ("22 AWG", "18 AWG", "14 AWG", "0.75 mm2", "2.5 mm2", "SAE 16")
FIXTURE = FixtureSettings()
WORTH = OhmWorth(0.05, 0.01, 0.01, 1e-7)
SAMPLES = 2000


@dataclass
class Day:
    """A bench on one day: a reel anywhere in its standard's band, and one meter that is off."""

    rng: np.random.Generator

    def __post_init__(self) -> None:
        self.size = SIZES[self.rng.integers(len(SIZES))]
        band = band_of(parse_size(self.size))
        self.wire = self.rng.uniform(band.low_ohm_per_m, band.high_ohm_per_m)
        self.scale = 1.0 + 0.0005 * self.rng.uniform(-1.0, 1.0)

    def read(
        self, length: tuple[float, float], extra_ohm: float = 0.0
    ) -> tuple[list[float], float]:
        """Repeats over a length of wire, and the temperature as the thermometer says it."""
        true_c, long_m = self.rng.uniform(5.0, 38.0), self.rng.normal(*length)
        ohm = self.wire * long_m * (1.0 + COPPER_PER_K * (true_c - 20.0)) + extra_ohm
        off = 1e-6 * self.rng.uniform(-1.0, 1.0)
        repeats = ohm * self.scale + off + self.rng.normal(0.0, 5e-7, 5)
        return repeats.tolist(), true_c + self.rng.normal(0.0, 1.0)


def holds(day: Day, source: str) -> bool:
    """Whether the 95 % interval of one sample holds the truth."""
    span = (FIXTURE.span_m, FIXTURE.u_span_m)
    length = (1.0, 0.001) if source == "reel" else span
    repeats, seen_c = day.read(length)
    reel = Reel(ReelAdded(reel="invented", size=day.size))
    made = measured_reel(
        reel, repeats, WORTH, length, (seen_c, 1.0),
        instrument="m", in_fixture=source == "reference",
    )  # fmt: skip
    used = None if source == "band" else replace(reel, measured=made)
    truth = float(np.exp(day.rng.uniform(math.log(5e-5), math.log(2e-3))))
    repeats, seen_c = day.read(span, truth)
    joint = Joint(connector="butt-splice-red", wires=(day.size,) * 2, tool="t", nest="n")
    clips = BetweenClips.of(shipped_book(), joint, FIXTURE, Temperature(seen_c, 1.0), [used] * 2)
    found = reduce_reading(repeats, WORTH, joint, replace(clips, meter="m"))
    assert found.share_from == source
    half = coverage_factor(0.975, found.effective_dof) * found.u_ohm
    return abs(found.splice_ohm - truth) <= half


@pytest.mark.parametrize(
    ("source", "low", "high"), [("reel", 0.94, 0.97), ("reference", 0.94, 0.97), ("band", 0.94, 1)]
)
def test_the_interval_keeps_its_promise(source: str, low: float, high: float) -> None:
    rng = np.random.default_rng(5)
    held = sum(holds(Day(rng), source) for _ in range(SAMPLES)) / SAMPLES
    assert low <= held <= high
