"""Entries about wire, lots of what is crimped, and how warm it is at the bench."""

from station.ledger.entries.base import Payload
from station.ledger.entries.samples import BudgetLine


class ReelAdded(Payload, kind="reel_added"):
    """A reel of wire, by what its label says."""

    reel: str
    size: str
    """Canonical wire size, as it was sold."""
    material: str = "copper"
    sold_as: str = ""
    """Type or standard that the label names."""
    strands: str = ""
    insulation: str = ""
    lot: str = ""


class ReelMeasured(Payload, kind="reel_measured"):
    """The resistance of a length of unbroken wire of a reel, and what follows for a metre."""

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


class ReelOut(Payload, kind="reel_out_of_use"):
    """A reel is used up or taken out of use."""

    reel: str
    reason: str


class LotInUse(Payload, kind="lot_in_use"):
    """From now on terminals of a connector are of these lots, until the next such entry of it."""

    connector: str
    terminal_lot: str | None = None
    """Null for none named."""
    sleeve_lot: str | None = None


class BenchTemperature(Payload, kind="bench_temperature"):
    """How warm wire and air are at the bench; it counts for the rest of that day."""

    temperature_c: float
    u_temperature_k: float
