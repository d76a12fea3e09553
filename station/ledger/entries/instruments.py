"""Entries about the instruments."""

from datetime import date
from typing import Literal

from station.ledger.entries.base import Payload, Recorded


class PointTaken(Recorded):
    """One calibration point in SI: the reference, its uncertainty, and what was read."""

    reference: float
    u_reference: float
    reading: float


class InstrumentCalibrated(Payload, kind="instrument_calibrated"):
    """An instrument was calibrated, here or by a laboratory."""

    role: Literal["meter", "tester"]
    instrument: str
    """As it names itself: the ``identity`` of :class:`InstrumentUsed`."""
    certificate: str
    reference: str
    """The standards used, with their own certificates."""
    calibrated_by: str
    calibrated_on: date
    due_on: date
    as_found: tuple[PointTaken, ...]
    as_left: tuple[PointTaken, ...] = ()
    """Empty where nothing was adjusted."""
    temperature_c: float | None = None
    drift_fraction: float = 0.0
    """Bound of its drift until it is due, as a fraction of the reading."""
    accepted: bool = True
    """False where it did not meet what was asked of it: then it counts as failed."""
    class_found: str | None = None
    class_left: str | None = None
    """Best class of a tester by its points, with the scheme; null for a meter or no class."""
    note: str = ""


class InstrumentChecked(Payload, kind="instrument_checked"):
    """A look at a known standard at the bench: zero, resistor, weight or wire."""

    role: Literal["meter", "tester"]
    instrument: str
    check: Literal["zero", "resistor", "weight", "wire"]
    standard: str
    """Which one; empty for a zero."""
    expected: float
    limit: float
    """How far from ``expected`` the value may lie."""
    readings: tuple[float, ...]
    value: float
    """Mean of the readings."""
    chart_lower: float
    chart_upper: float
    """Limits of the check's chart when it was judged."""
    passed: bool
    reason: str | None = None
