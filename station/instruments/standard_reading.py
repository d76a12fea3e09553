"""Reading an instrument that looks at a known standard, for a check or a gauge study."""

import math
import threading
import time
from collections.abc import Callable

from calibration.saying import say
from calibration.standing import INSTRUMENT_WORDS, InstrumentKind
from station.errors import NoReading
from station.instruments.bay import BayTester, InstrumentBay
from station.instruments.recorded_peak import reduce_recorded

REPEATS = 5
PRELOAD_N = 2.0
"""A pull of a study has begun above this: its parts have no limit to take a share of."""
FORCES_PER_READING = 10
STILL_FRACTION = 0.005
STILL_DIGITS = 10.0
SMALLEST_RANGE_OHM = 1e-3
"""The meter's range is chosen for at least this much: a zero has no range of its own."""


def read_standard(
    bay: InstrumentBay, role: InstrumentKind, expected: float, repeats: int = REPEATS
) -> tuple[str, list[float]]:
    """Name of the instrument on record, and its settled readings in ohm or newton.

    Parameters
    ----------
    expected
        About what it will read, in the same unit.

    Raises
    ------
    BadInput
        The bench has no such instrument.
    InstrumentError
        It is not there, does not answer, or what it measures does not stand still.
    """
    if role == "meter":
        readings = bay.meter(max(expected, SMALLEST_RANGE_OHM)).read_repeats(repeats)
    else:
        readings = _still_forces(bay.tester(), repeats)
    return bay.line(role).known_as, readings


def read_pull(
    bay: InstrumentBay,
    why_void: Callable[[float], str | None],
    stop: threading.Event,
    on_force: Callable[[float], None],
) -> tuple[str, float]:
    """Name of the tester on record, and the peak of the pull that comes now, in newton.

    The peak is that of a sample's pull: see `reduce_recorded`.

    Parameters
    ----------
    why_void
        Says why a pull that began at this monotonic time does not count, by the guard; None where
        it does.
    stop
        Set by whoever ends the recording.

    Raises
    ------
    BadInput
        The bench has no tester.
    InstrumentError
        It is not there or does not answer, or the pull does not count.
    """
    tester = bay.tester()
    began_s = time.monotonic()
    trace = tester.record(lambda _at_s, force_n: on_force(force_n), stop, PRELOAD_N)
    reason = why_void(began_s) or trace.void_reason
    peak_n = 0.0
    if reason is None:
        reduced, found = reduce_recorded(trace, tester.worth, PRELOAD_N)
        reason, peak_n = reduced.void_reason or found.void_reason, found.peak_n
    if reason is not None:
        raise NoReading(
            "This pull does not count: {reason}. If the part is spent, take another of "
            "the same batch for this turn.",
            reason=say(reason),
        )
    return bay.line("tester").known_as, peak_n


def _still_forces(tester: BayTester, repeats: int) -> list[float]:
    forces = tester.read_forces(repeats * FORCES_PER_READING)
    readings = [
        math.fsum(forces[start : start + FORCES_PER_READING]) / FORCES_PER_READING
        for start in range(0, len(forces), FORCES_PER_READING)
    ]
    mean = math.fsum(readings) / len(readings)
    spread = max(readings) - min(readings)
    if spread > max(STILL_FRACTION * abs(mean), STILL_DIGITS * tester.worth.resolution_n):
        raise NoReading(
            "The {names} does not stand still: its force moved by {spread:.2g} N. Wait "
            "until the weight hangs still, and read again.",
            names=INSTRUMENT_WORDS["tester"],
            spread=spread,
        )
    return readings
