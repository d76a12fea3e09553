"""Wire check: from the resistance of a length, what size and metal a wire really is.

Resistance alone cannot tell everything: 18 AWG of copper-clad aluminium and 20 AWG of copper are
the same to a meter. The check therefore names every size and metal that the measurement allows, and
says "cannot tell" where the uncertainty is too large to separate what was sold from its rivals.
A metric wire is what its standard accepts: a band, not a number.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from station.crimp.wire import (
    AWG_OF_TRADE,
    MATERIALS,
    SAE_CIRCULAR_MILS,
    TABLES,
    Material,
    WireSize,
    awg,
    metric,
    sae,
    temperature_factor,
)
from station.crimp.wire_tables import WireBand, band_of, bands
from station.errors import BadInput

AREA_U_FRACTION = 0.012
"""Relative standard uncertainty of a gauge wire's area, for which no standard that was read states
a band: 2 % tolerance, rectangular, rounded up."""

CONSISTENT_U = 2.0
"""So many standard uncertainties a measurement may lie off a candidate and still fit it."""

SENSIBLE_OHM_PER_M = (1e-6, 1e6)
"""Far wider than any wire from 4/0 to 30 AWG (our own choice); beyond it a unit was mistaken."""

Answer = Literal["as sold", "not as sold", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A size and metal that a wire might be.

    Attributes
    ----------
    band
        What its standards allow it to be, at 20 °C.
    deviation
        Measured over what is usually expected of it, less one.
    z
        How far the measurement lies outside the standards' band, 0 within; of a gauge, off its
        metal. In standard uncertainties.
    """

    size: WireSize
    material: Material
    band: WireBand
    deviation: float
    z: float

    @property
    def expected_ohm_per_m(self) -> float:
        """What such a wire usually is, at 20 °C."""
        return self.band.expected_ohm_per_m

    @property
    def consistent(self) -> bool:
        """True where the measurement allows it."""
        return abs(self.z) <= CONSISTENT_U

    @property
    def name(self) -> str:
        """Size and metal in words."""
        return f"{self.size.label} {self.material.words}"


@dataclass(frozen=True, slots=True)
class WireCheck:
    """What a wire is, as far as its resistance tells.

    Attributes
    ----------
    ohm_per_m, u_ohm_per_m
        Measured, at 20 °C for the metal it was sold as.
    sold
        The candidate that it was sold as.
    candidates
        All that are consistent, nearest first; where none is, the nearest three.
    fits
        The standards that accept the measured wire as the size and metal it was sold as.
    """

    ohm_per_m: float
    u_ohm_per_m: float
    sold: Candidate
    candidates: tuple[Candidate, ...]
    answer: Answer
    fits: tuple[WireBand, ...] = ()

    @property
    def sentence(self) -> str:
        """The answer in one line."""
        sold = f"Sold as {self.sold.name}"
        off = f"{self.sold.deviation * 100:+.1f} % off its usual resistance"
        if self.answer == "as sold":
            return f"{sold}, and its resistance agrees ({off})."
        others = [c.name for c in self.candidates if c is not self.sold][:4]
        if self.answer == "cannot tell":
            return (
                f"{sold}: cannot tell, the uncertainty allows {' or '.join(others)} as well. "
                "Measure a longer piece or with a better meter."
            )
        if not any(candidate.consistent for candidate in self.candidates):
            return f"{sold}, fits no size this station knows ({off}): check span and clips."
        return f"{sold}, behaves like {' or '.join(others)} ({off})."


def check_wire(
    measured_ohm: float,
    length_m: float,
    sold_as: WireSize,
    material: Material = MATERIALS["copper"],
    *,
    u_ohm: float = 0.0,
    u_length_m: float = 0.0,
    temperature_c: float = 20.0,
    u_temperature_k: float = 0.0,
) -> WireCheck:
    """Compare the resistance of a length of wire with what it was sold as and with its rivals.

    Parameters
    ----------
    measured_ohm, u_ohm
        Four-wire resistance of the length and its standard uncertainty.
    length_m, u_length_m
        Between the sense clips.
    sold_as, material
        What the reel says.

    Raises
    ------
    BadInput
        A value is not positive, or not a number.
    """
    _check_values(measured_ohm, length_m, (u_ohm, u_length_m, u_temperature_k))
    u_relative = math.hypot(
        u_ohm / measured_ohm,
        u_length_m / length_m,
        material.temperature_coefficient_per_k * u_temperature_k,
    )
    at_temperature = measured_ohm / length_m

    def candidate(size: WireSize, metal: Material) -> Candidate:
        measured = at_temperature / temperature_factor(metal, temperature_c)
        band = band_of(size, metal)
        deviation = measured / band.expected_ohm_per_m - 1.0
        return Candidate(size, metal, band, deviation, z(band, metal, measured))

    def z(band: WireBand, metal: Material, measured: float) -> float:
        if band.published:
            return math.log1p(band.off_by(measured)) / math.hypot(u_relative, metal.u_fraction)
        spread = math.hypot(u_relative, AREA_U_FRACTION, metal.u_fraction)
        return math.log(measured / band.expected_ohm_per_m) / spread

    sold = candidate(sold_as, material)
    others = [
        candidate(size, metal)
        for size in _sizes()
        for metal in MATERIALS.values()
        if _plausible(size, metal, sold)
    ]
    found = sorted((c for c in [sold, *others] if c.consistent), key=_nearness)
    if not found:
        found = sorted(others, key=_nearness)[:3]
    answer = _answer(sold, found)
    if answer == "cannot tell":
        found = [c for c in found if c is sold or _is_rival(c, sold)]
    at_20_c = at_temperature / temperature_factor(material, temperature_c)
    fits = tuple(
        band for band in bands(sold_as, material) if abs(z(band, material, at_20_c)) <= CONSISTENT_U
    )
    return WireCheck(at_20_c, at_20_c * u_relative, sold, tuple(found), answer, fits)


def _check_values(measured_ohm: float, length_m: float, uncertainties: tuple[float, ...]) -> None:
    for name, value in (("resistance", measured_ohm), ("length", length_m)):
        if not (math.isfinite(value) and value > 0.0):
            raise BadInput(f"The {name} of the wire must be a positive number, not {value}.")
    if not SENSIBLE_OHM_PER_M[0] <= measured_ohm / length_m <= SENSIBLE_OHM_PER_M[1]:
        raise BadInput(
            f"{measured_ohm / length_m:g} Ω per metre is no wire: check the resistance and length."
        )
    for value in uncertainties:
        if not (math.isfinite(value) and value >= 0.0):
            raise BadInput(f"An uncertainty must be a number that is not negative, not {value}.")


def _plausible(size: WireSize, metal: Material, sold: Candidate) -> bool:
    """Another size of the same kind of metal, or the same size of another kind.

    A clad wire of another size could match any resistance; the eye and a gauge tell it apart.
    """
    if size.label == sold.size.label:
        return metal is not sold.material
    return metal is sold.material


def _nearness(candidate: Candidate) -> tuple[float, float]:
    return abs(candidate.z), abs(candidate.deviation)


def _answer(sold: Candidate, consistent: Iterable[Candidate]) -> Answer:
    if not sold.consistent:
        return "not as sold"
    return "cannot tell" if any(_is_rival(c, sold) for c in consistent) else "as sold"


def _is_rival(candidate: Candidate, sold: Candidate) -> bool:
    """Whether being the candidate would cheat: a clad metal, or at least 4 % less of it.

    Tinned and plain copper are alike in use, and a thicker wire cheats nobody; nor does a thinner
    one that conducts as the standard of what was sold demands.
    """
    if candidate.material.is_copper != sold.material.is_copper:
        return True
    band = candidate.band
    best = band.low_ohm_per_m if band.published else band.expected_ohm_per_m
    accepted = sold.band.published and sold.z == 0.0 and best <= sold.band.high_ohm_per_m
    return candidate.size.area_m2 < 0.96 * sold.size.area_m2 and not accepted


def _sizes() -> list[WireSize]:
    gauges = [awg(number) for number in AWG_OF_TRADE]
    return [*gauges, *map(sae, SAE_CIRCULAR_MILS), *map(metric, TABLES["trade"]["mm2_of_all"])]
