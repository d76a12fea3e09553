"""Entries about wire, lots of what is crimped, and how warm it is at the bench."""

from typing import ClassVar

from station.ledger.entries.base import Payload
from station.ledger.entries.samples import BudgetLine


class ReelAdded(Payload):
    """A reel of wire, by what its label says."""

    KIND: ClassVar[str] = "reel_added"

    reel: str
    size: str
    """Canonical wire size, as it was sold."""
    material: str = "copper"
    sold_as: str = ""
    """Type or standard that the label names."""
    strands: str = ""
    insulation: str = ""
    lot: str = ""


class ReelMeasured(Payload):
    """The resistance of a length of unbroken wire of a reel, and what follows for a metre."""

    KIND: ClassVar[str] = "reel_measured"

    reel: str
    in_fixture: bool
    """Between the marks of the bench's span: then it serves as reference reading for that span."""
    length_m: float
    u_length_m: float
    repeats_ohm: tuple[float, ...]
    reading_ohm: float
    budget: tuple[BudgetLine, ...]
    """Of the reading as it came, without the meter's error of scale."""
    temperature_c: float | None
    u_temperature_k: float
    instrument: str
    ohm_per_m: float
    """At 20 °C."""
    u_ohm_per_m: float
    effective_dof: float | None
    """Of ``u_ohm_per_m``; null for infinitely many."""
    answer: str
    """What the wire check says: ``as sold``, ``not as sold`` or ``cannot tell``."""


class ReelOut(Payload):
    """A reel is used up or taken out of use."""

    KIND: ClassVar[str] = "reel_out_of_use"

    reel: str
    reason: str


class LotInUse(Payload):
    """From now on terminals of a connector are of these lots, until the next such entry of it."""

    KIND: ClassVar[str] = "lot_in_use"

    connector: str
    terminal_lot: str | None = None
    """Null for none named."""
    sleeve_lot: str | None = None


class BenchTemperature(Payload):
    """How warm wire and air are at the bench; it counts for the rest of that day."""

    KIND: ClassVar[str] = "bench_temperature"

    temperature_c: float
    u_temperature_k: float
