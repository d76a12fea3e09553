"""What a reading of an instrument is worth: corrected by its calibration, with its budget."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.standing import CalibrationLine
from calibration.uncertainty import Budget, Contribution, repeatability


@dataclass(frozen=True, slots=True)
class OhmWorth:
    """What a meter's specification promises: error bounds, taken as rectangular.

    A valid calibration, ``line``, takes the place of the bounds where it reaches.
    """

    percent_of_reading: float
    percent_of_range: float
    range_ohm: float
    resolution_ohm: float
    line: CalibrationLine | None = None
    u_thermal_ohm: float = 0.0
    """Of thermal voltages that nothing cancels."""


@dataclass(frozen=True, slots=True)
class ForceWorth:
    """What a pull tester's specification promises, and how it samples.

    A valid calibration, ``line``, takes the place of the bounds where it reaches.
    """

    percent_of_reading: float
    resolution_n: float
    filter_hz: float | None
    capacity_n: float | None = None
    line: CalibrationLine | None = None


def corrects(worth: OhmWorth | ForceWorth, reading: float) -> bool:
    """Whether a calibration corrects this reading: it is valid and reaches so far."""
    return worth.line is not None and worth.line.covers(reading)


def reading_budget(
    repeats_ohm: Sequence[float], worth: OhmWorth
) -> tuple[float, list[Contribution]]:
    """Mean of the repeats, and what makes it uncertain, in ohm.

    Bounds of a specification count as rectangular distributions (JCGM 100:2008, 4.3.7). Where a
    calibration reaches, the mean is corrected by its line, and its uncertainty counts instead.
    """
    mean, u_repeat, dof = repeatability(repeats_ohm)
    bound = (
        worth.percent_of_reading / 100.0 * abs(mean)
        + worth.percent_of_range / 100.0 * worth.range_ohm
    )
    accuracy = [Contribution("meter accuracy", bound / math.sqrt(3.0))]
    if worth.line is not None and corrects(worth, mean):
        mean, accuracy = worth.line.correct(mean)
    if worth.u_thermal_ohm:
        accuracy = [*accuracy, Contribution("thermal voltages", worth.u_thermal_ohm)]
    return mean, [
        *accuracy,
        Contribution("meter resolution", worth.resolution_ohm / math.sqrt(12.0)),
        Contribution("repeatability", u_repeat, dof),
    ]


def force_budget(
    peak_n: float, worth: ForceWorth, peak_u_n: float | None = None
) -> tuple[float, Budget]:
    """Peak force, corrected where a calibration reaches, and its budget; in newton.

    ``peak_u_n`` is the standard uncertainty of the peak as an estimate from a trace, which holds
    the last digit; without it the last digit counts by itself.
    """
    bound = worth.percent_of_reading / 100.0 * abs(peak_n)
    accuracy = [Contribution("tester accuracy", bound / math.sqrt(3.0))]
    if worth.line is not None and corrects(worth, peak_n):
        peak_n, accuracy = worth.line.correct(peak_n)
    if peak_u_n is None:
        reading = Contribution("tester resolution", worth.resolution_n / math.sqrt(12.0))
    else:
        reading = Contribution("peak estimate", peak_u_n)
    return peak_n, Budget.of([*accuracy, reading])
