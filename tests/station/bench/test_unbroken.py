"""Unbroken wire in place of a joint reads 0, over the serial line of the simulated meter."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from calibration.worth import OhmWorth
from station.bench.between import BetweenClips
from station.bench.sample_entry import reduce_reading
from station.bench.temperature import Temperature
from station.crimp.facts import shipped_book
from station.crimp.resistance import SpliceResistance
from station.crimp.wire import parse_size
from station.instruments.bay import BayMeter, InstrumentBay
from station.ledger.entries import Joint, ReelAdded
from station.settings import FixtureSettings, InstrumentSettings, Settings
from station.shop.reels import Reel, measured_reel
from station.simulation.launch import SimulatedInstrument
from station.simulation.physics import Specimen, drawn_wire_ohm_per_m
from station.simulation.workshop import Crimper

BOOK = shipped_book()
FAMILIES = sorted(BOOK.families)
CONNECTORS = {one.family: one.id for one in BOOK.connectors.values()}
SIZES = [
    *(f"{number} AWG" for number in (22, 20, 18, 16, 14, 12, 10, 8, 6, 4)),
    *(f"{area} mm2" for area in ("0.5", "0.75", "1", "1.5", "2.5", "4", "6", "10", "16", "25")),
]
FIXTURE = FixtureSettings(
    spans_mm={family: 60.0 + 7.0 * count for count, family in enumerate(FAMILIES)}
)
WARM = Temperature(26.0, 1.0)


@dataclass
class Meter:
    """The simulated meter: what it makes of a specimen, and reels measured on it."""

    simulated: SimulatedInstrument
    bay: InstrumentBay
    ranged: dict[bool, BayMeter] = field(default_factory=dict)

    def read(self, specimen: Specimen) -> tuple[list[float], OhmWorth]:
        self.simulated.command({"mount": specimen.model_dump()})
        # Setting a range takes a fifth of a second: only where another is needed.
        small = specimen.between_clips_ohm < 9e-3
        if small not in self.ranged:
            self.ranged = {small: self.bay.meter(9e-3 if small else 0.09)}
        return self.ranged[small].read_repeats(3), self.ranged[small].worth

    def reel(self, size: str, length_m: float, *, in_fixture: bool = False) -> Reel:
        ohm = drawn_wire_ohm_per_m(parse_size(size)) * length_m
        wire = Specimen(wire_ohm=ohm, splice_ohm=0.0, temperature_c=26.0)
        repeats, worth = self.read(wire)
        added = Reel(ReelAdded(reel=f"reel of {size}", size=size))
        measured = measured_reel(
            added, repeats, worth, (length_m, 0.0005), (26.0, 1.0),
            instrument="meter", in_fixture=in_fixture,
        )  # fmt: skip
        return replace(added, measured=measured)

    def unbroken(self, family: str, size: str, reel: Reel | None) -> SpliceResistance:
        joint = Joint(connector=CONNECTORS[family], wires=(size, size), tool="t", nest="n")
        between = BetweenClips.of(BOOK, joint, FIXTURE, WARM, [reel, reel])
        between = replace(between, meter="meter")
        wire = Crimper(np.random.default_rng(1), FIXTURE).unbroken(joint)
        repeats, worth = self.read(wire.model_copy(update={"temperature_c": 26.0}))
        return reduce_reading(repeats, worth, joint, between)


@pytest.fixture(scope="module")
def meter() -> Iterator[Meter]:
    with SimulatedInstrument("meter", seed=16, paced=False) as simulated:
        used = InstrumentSettings(port=simulated.port, profile="meter-scpi-plain", simulated=True)
        bay = InstrumentBay(Settings(meter=used))
        yield Meter(simulated, bay)
        bay.close()


@pytest.mark.parametrize("size", SIZES)
def test_it_reads_zero_in_the_span_of_each_family(meter: Meter, size: str) -> None:
    by_length = meter.reel(size, 1.0)
    for family in FAMILIES:
        for known in (by_length, None):
            found = meter.unbroken(family, size, known)
            assert found.share_from == ("band" if known is None else "reel")
            assert abs(found.splice_ohm) <= 2.0 * found.u_ohm, family
            assert found.void_reason is None


@pytest.mark.parametrize("size", ["22 AWG", "4 AWG", "0.75 mm2"])
def test_by_reference_it_is_zero_but_for_the_meters_noise(meter: Meter, size: str) -> None:
    for family in ("ring", "butt splice"):
        found = meter.unbroken(
            family, size, meter.reel(size, FIXTURE.span_of(family), in_fixture=True)
        )
        assert found.share_from == "reference"
        assert abs(found.splice_ohm) <= 5e-6
        assert abs(found.splice_ohm) <= 2.0 * found.u_ohm
