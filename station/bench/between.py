"""What lies between the sense clips of a sample: which wire, how long, how warm."""

import math
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from itertools import zip_longest

from station.bench.temperature import Temperature, temperature_now, temperature_set
from station.crimp.connectors import Connector, ConnectorBook, Family, connector_named
from station.crimp.resistance import ReferenceReading, WireSpan, of_band
from station.crimp.wire import material_named, parse_size
from station.instruments.bay import InstrumentBay
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint, ReelMeasured
from station.ledger.store import Ledger
from station.settings import FixtureSettings, Settings
from station.shop.reels import Reel, chosen_reels, in_use, measured_reel, reels
from station.shop.trust import Trust


@dataclass(frozen=True, slots=True)
class BetweenClips:
    """What lies between the sense clips of a sample, as far as the bench knows."""

    connector: Connector
    family: Family
    fixture: FixtureSettings
    temperature: Temperature
    reels: tuple[Reel | None, ...] = ()
    """Of each wire of the joint; None where none is named."""
    meter: str = ""
    """Which one reads it, as the record calls it."""

    @classmethod
    def of(
        cls,
        book: ConnectorBook,
        joint: Joint,
        fixture: FixtureSettings,
        temperature: Temperature,
        reels: Sequence[Reel | None] = (),
    ) -> "BetweenClips":
        """What lies between the clips of a joint."""
        made = connector_named(book.connectors, joint.connector)
        return cls(made, book.family_of(made), fixture, temperature, tuple(reels))

    @property
    def span_m(self) -> float:
        """From sense clip A to sense clip B."""
        return self.fixture.span_of(self.family.id)

    def reference(self) -> ReferenceReading | None:
        """Unbroken wire in the same span; None unless all the wire is of one reel that has it."""
        reel = self.reels[0] if len(set(self.reels)) == 1 else None
        found = None if reel is None else reel.reference(self.span_m, self.meter)
        unlike = found and (found.temperature_c is None) != (self.temperature.celsius is None)
        return None if unlike else found

    def spans(self, joint: Joint) -> list[WireSpan]:
        """The wire that counts, with what is known of a metre of it."""
        material = material_named(joint.material)
        wires = list(zip_longest(map(parse_size, joint.wires), self.reels[: len(joint.wires)]))
        lengths = self.family.wire_lengths(wires, self.span_m)
        u_m = self.fixture.u_span_m / math.sqrt(len(lengths))
        return [
            WireSpan(
                size, material, length_m, u_m,
                per_metre=(reel and reel.per_metre) or of_band(size, material),
            )
            for (size, reel), length_m in lengths
        ]  # fmt: skip


@dataclass
class WireAtHand:
    """The wire at the bench: reels on record, those being used, today's temperature."""

    settings: Settings
    ledger: Ledger
    book: ConnectorBook
    bay: InstrumentBay
    trust: Trust
    alone: Callable[[], AbstractContextManager[None]]
    """Keeps the bench for one who measures."""
    _last: dict[tuple[str, str], str] = field(default_factory=dict, init=False)

    def reels_for(self, joint: Joint, named: Sequence[str] = ()) -> tuple[str, ...]:
        """The reel of each wire: as named, else as used last, else the only one (BadInput)."""
        chosen = chosen_reels(reels(self.ledger.reader), named, joint, self._last)
        for wire, name, reel in zip_longest(joint.wires, named, chosen, fillvalue=""):
            # None chosen on purpose is remembered too; none known is not: a reel may come.
            if name or reel:
                self._last[wire, joint.material] = reel
        return chosen

    def temperature(self) -> Temperature:
        """How warm the wire is, but for a sensor."""
        return temperature_set(self.settings.fixture, self.ledger.reader, self.ledger.now().at_utc)

    def between(self, order: SampleOrder) -> BetweenClips:
        """What will lie between the clips of a sample that is taken up now."""
        joint, known = order.joint, reels(self.ledger.reader)
        named = [known.get(name) for name in order.reels]
        return BetweenClips.of(self.book, joint, self.settings.fixture, self.temperature(), named)

    def measure(
        self, name: str, length: tuple[float, float], *, in_fixture: bool = False
    ) -> ReelMeasured:
        """Read a length of a reel's unbroken wire, with its u in metres: the entry to be written.

        Raises
        ------
        BadInput
            A sample is under way, or there is no such reel in use, or no wire is like that.
        InstrumentError
            The meter does not answer, or what it measures does not stand still.
        """
        reel = in_use(self.ledger.reader, name)
        wire = parse_size(reel.added.size), material_named(reel.added.material)
        with self.alone():
            meter = self.bay.meter(of_band(*wire).ohm_per_m * length[0])
            instrument = self.bay.line("meter").known_as
            worth = replace(meter.worth, line=self.trust.demand("meter", instrument).line)
            readings = meter.read_repeats(self.settings.repeats)
        warm = temperature_now(self.settings.fixture, self.temperature())
        return measured_reel(
            reel, readings, worth, length, (warm.celsius, warm.u_k),
            instrument=instrument, in_fixture=in_fixture,
        )  # fmt: skip
