"""What the simulated instruments feel: joints, thermal voltages, tearing strands. Pure, seeded.

All numbers here are invented, within what is usual; none is a measurement.
"""

from dataclasses import dataclass
from functools import cache
from math import exp
from typing import Annotated, Literal
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from station.crimp.in_force import Facts, NotNegative, Positive
from station.crimp.wire import WireSize

COPPER_PER_K = 0.00393
"""Temperature coefficient of annealed copper at 20 °C (IACS), for the wire between the clips."""

COPPER_OHM_M = 1.7241e-8
"""Resistivity of annealed copper at 20 °C (IACS)."""

_METAL_OF_LABEL = (0.985, 1.015)
_LAY = (1.003, 1.018)
"""Share of the label's metal that a reel really has, and how much longer its twisted strands are
than the wire."""

_ROUNDING_BEGINS = 0.8
_TOP_STRETCH = 1.2
_STOPS_ROUNDING_AT = 0.45
"""Of the way to a flat top."""

_GRIP_SLIPS_AT = 0.5
_GRIP_SLIP_STRETCH = 0.25

FailureKind = Literal["break", "slip", "grip_slip"]


class Specimen(Facts):
    """A crimped sample of the simulated world."""

    wire_ohm: NotNegative = 0.002
    """All the wire between the sense clips, at 20 °C."""
    splice_ohm: NotNegative = 0.0002
    temperature_c: float = 20.0
    break_force_n: Positive = 120.0
    failure: FailureKind = "break"
    """Strands break at the barrel's edge; the wire slips out of the barrel; the rig's grip slips
    first, then a break."""
    stiffness_n_per_mm: Positive = 60.0
    slack_mm: NotNegative = 1.0
    strands: Annotated[int, Field(ge=1)] = 16
    hold_s: NotNegative = 0.0
    """For how long hands hold ``break_force_n`` and then let go, instead of pulling to the end."""

    @property
    def between_clips_ohm(self) -> float:
        """True resistance between the sense clips in ohm: the wire's at its temperature, plus."""
        warmth = 1 + COPPER_PER_K * (self.temperature_c - 20)
        return self.wire_ohm * warmth + self.splice_ohm


@cache
def drawn_wire_ohm_per_m(size: WireSize) -> float:
    """A metre at 20 °C of the world's one reel of a size: its real metal and the lay of it."""
    rng = np.random.default_rng(crc32(size.label.encode()))
    metal_m2 = size.area_m2 * rng.uniform(*_METAL_OF_LABEL)
    return float(COPPER_OHM_M * rng.uniform(*_LAY) / metal_m2)


@dataclass(frozen=True, slots=True)
class ThermalVoltage:
    """Thermal EMF of freshly handled clips in V, dying away to what stays."""

    lasting_v: float
    fading_v: float
    time_constant_s: float

    def at(self, time_s: float) -> float:
        """Return the EMF in V, ``time_s`` after the clips went on."""
        return self.lasting_v + self.fading_v * exp(-time_s / self.time_constant_s)

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> "ThermalVoltage":
        """Draw one: microvolts, since 1 K across one soldered joint already makes some 5 µV."""
        lasting_v, fading_v = rng.normal(0, (1e-6, 8e-6))
        return cls(float(lasting_v), float(fading_v), float(rng.uniform(5, 20)))


def four_wire_ohm(
    true_ohm: float,
    first_emf_v: float,
    second_emf_v: float,
    current_a: float,
    offset_compensation: bool,
) -> float:
    """Return what a four-wire meter makes of a resistance, in ohm.

    Without offset compensation R = V_on / I, thermal EMF and all. With it
    R = (V_on - V_off) / I, so that only what the EMF drifts between the two halves stays.
    """
    on_v = true_ohm * current_a + first_emf_v
    off_v = second_emf_v if offset_compensation else 0.0
    return (on_v - off_v) / current_a


def noisy(value: float, sd: float, resolution: float, rng: np.random.Generator) -> float:
    """Add normal noise and round to the last digit shown."""
    return float(np.round(rng.normal(value, sd) / resolution) * resolution)


def pull_curve(
    specimen: Specimen,
    rng: np.random.Generator,
    *,
    sample_rate_hz: float,
    crosshead_mm_per_min: float = 100.0,
) -> NDArray[np.float64]:
    """Return the true force of one pull in N, shape (n,), from the first move to all broken.

    Slack, then a ramp of crosshead speed times stiffness that rounds off to exactly
    ``break_force_n``; then strands part one by one, or friction fades as the wire slips out.
    """
    step_mm = crosshead_mm_per_min / 60 / sample_rate_hz
    stretch_mm = specimen.break_force_n / specimen.stiffness_n_per_mm
    slip_mm = _GRIP_SLIP_STRETCH * stretch_mm if specimen.failure == "grip_slip" else 0.0
    top_mm = specimen.slack_mm + _TOP_STRETCH * stretch_mm + slip_mm
    tail = _friction_tail if specimen.failure == "slip" else _StrandTail(specimen.strands, rng)
    travel_mm = np.arange(0, top_mm + 10, step_mm)
    # The crosshead passes the top between two samples; the top itself is put on one of them.
    travel_mm += top_mm - travel_mm[np.searchsorted(travel_mm, top_mm)]
    pulled_mm = travel_mm - specimen.slack_mm
    pulled_mm = np.where(pulled_mm > _GRIP_SLIPS_AT * stretch_mm, pulled_mm - slip_mm, pulled_mm)
    rise = _rounded_ramp(np.clip(pulled_mm / stretch_mm, 0, _TOP_STRETCH))
    shape = np.where(travel_mm <= top_mm, rise, tail(np.maximum(travel_mm - top_mm, 0)))
    if specimen.hold_s:
        rise = shape[travel_mm <= top_mm]
        held = 1.01 - 0.01 * np.cos(np.arange(0.0, specimen.hold_s, 1.0 / sample_rate_hz))
        shape = np.concatenate((rise, held, np.linspace(1.0, 0.0, round(sample_rate_hz))))
    return specimen.break_force_n * shape


def _rounded_ramp(stretch: NDArray[np.float64]) -> NDArray[np.float64]:
    """Yield early and break while the force still climbs, as notched strands do."""
    beyond = np.maximum(stretch - _ROUNDING_BEGINS, 0) / (_TOP_STRETCH - _ROUNDING_BEGINS)
    left = 1 - _STOPS_ROUNDING_AT
    rounded = (1 - (1 - _STOPS_ROUNDING_AT * beyond) ** 2) / (1 - left**2)
    rounded = _ROUNDING_BEGINS + (1 - _ROUNDING_BEGINS) * rounded
    return np.where(stretch < _ROUNDING_BEGINS, stretch, rounded)


def _friction_tail(slipped_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coulomb: the force falls with the length still inside a barrel of 8 mm; slower to start."""
    return np.asarray(0.8 * np.clip(1 - slipped_mm / 8, 0, None))


class _StrandTail:
    def __init__(self, strands: int, rng: np.random.Generator) -> None:
        self._strands = strands
        breaks_at_mm = np.sort(rng.uniform(0, 0.7, strands))
        # The top is where the first strand gives way.
        self._breaks_at_mm = breaks_at_mm - breaks_at_mm[0] + 0.01

    def __call__(self, after_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        broken = np.searchsorted(self._breaks_at_mm, after_mm, side="right")
        return np.asarray((self._strands - broken) / self._strands, dtype=np.float64)
