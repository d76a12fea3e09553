"""Wire: what a size means in metal, ohms and newtons.

Sizes are written the way people say them (``18 AWG``, ``1/0``, ``SAE 16``, ``0,75 mm²``) and have
one canonical label each. A gauge number has no meaning without its system: an SAE gauge is five to
eleven per cent thinner than the AWG of the same number.
"""

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

from calibration.saying import say
from station.crimp.units import (
    CIRCULAR_MIL_M2,
    METRE_PER_INCH,
    SQUARE_MILLIMETRE_M2,
)
from station.errors import BadInput, UnknownSize

System = Literal["AWG", "SAE", "mm2", "strands"]

AWG_THINNEST = 30
AWG_THICKEST = -3
"""4/0, which the formula counts as -3."""

CONSERVATIVE_CIRCULAR_MILS_PER_AMPERE = 700.0
"""The installers' rule of thumb for carrying power over a run [common practice, no source]."""

CONSERVATIVE_CURRENT_WORDS = say(
    "installers' rule of thumb for carrying power over a run, 700 circular mils per ampere; "
    "common practice, no source; not for choosing a fuse"
)

TABLES: Mapping[str, Any] = tomllib.loads(
    (resources.files("station") / "data" / "wire.toml").read_text(encoding="utf-8")
)
"""The facts of wire, with their sources beside them in the file."""

SAE_CIRCULAR_MILS = {int(gauge): area for gauge, area in TABLES["sae_circular_mils"].items()}
"""Conductor area by SAE gauge, 1/0 to 4/0 as 0 to -3."""

METRIC_RANGE_MM2 = (0.03, 400.0)


@dataclass(frozen=True, slots=True)
class WireSize:
    """A conductor size.

    Attributes
    ----------
    system
        ``AWG``, ``SAE``, ``mm2`` or ``strands``.
    label
        The canonical text: ``18 AWG``, ``2/0 AWG``, ``SAE 16``, ``0.75 mm2``, ``16x30 AWG``.
    area_m2
        Metal cross section in square metres; for ``mm2`` the nominal figure.
    """

    system: System
    label: str
    area_m2: float

    @property
    def diameter_m(self) -> float:
        """Diameter of a solid round conductor of this area."""
        return math.sqrt(4.0 * self.area_m2 / math.pi)

    @property
    def circular_mils(self) -> float:
        """Area in circular mils."""
        return self.area_m2 / CIRCULAR_MIL_M2

    def __str__(self) -> str:
        return self.label


@dataclass(frozen=True, slots=True)
class Material:
    """A conductor metal.

    Attributes
    ----------
    resistivity_ohm_m
        At 20 °C.
    temperature_coefficient_per_k
        Of resistance, at 20 °C.
    soft_strength_pa
        Tensile strength of the annealed metal.
    u_fraction
        Relative standard uncertainty of the resistivity of a wire sold as this metal.
    is_copper
        True where the copper current rule may be applied.
    source
        Where the figures come from, and their standing.
    """

    name: str
    words: str
    resistivity_ohm_m: float
    temperature_coefficient_per_k: float
    soft_strength_pa: float
    u_fraction: float
    is_copper: bool
    source: str


MATERIALS = {one["name"]: Material(**one) for one in TABLES["materials"]}

_AWG_TEXT = re.compile(r"(?:AWG\s*)?([1-9]/0|\d{1,4})\s*(?:AWG|GAUGE|GA\.?)?", re.ASCII)
_SAE_TEXT = re.compile(r"(?:SAE\s*([1-9]/0|\d{1,4})|([1-9]/0|\d{1,4})\s*SAE)", re.ASCII)
_STRAND_TEXT = re.compile(
    r"(\d{1,4})\s*[X×/]\s*(?:([2-3]\d)\s*AWG|(\d?[.,]\d{1,3})\s*MM)", re.ASCII
)
_METRIC_TEXT = re.compile(r"(\d{1,3}(?:[.,]\d{1,8})?|[.,]\d{1,8})\s*(?:MM\^?2|SQMM|SQ\.?\s*MM)")

_NO_SIZE = say("{text} is not a wire size: write it like 18 AWG, 1/0 AWG, SAE 16 or 0.75 mm2.")


@lru_cache(maxsize=4096)  # a form asks for the same few sizes thousands of times
def parse_size(text: str) -> WireSize:
    """Read a wire size as a person writes it.

    Parameters
    ----------
    text
        For example ``18 AWG``, ``18awg``, ``AWG 18``, ``1/0``, ``SAE 16``, ``0,75 mm²``,
        ``16x30 AWG``, ``19x0.23 mm``.

    Raises
    ------
    UnknownSize
        The text is no size, has no system, or lies outside the range of its system.
    """
    tidy = " ".join(text.replace("²", "2").split()).upper()
    if match := _SAE_TEXT.fullmatch(tidy):
        return sae(_gauge_number(match[1] or match[2], text))
    if match := _METRIC_TEXT.fullmatch(tidy):
        return metric(float(match[1].replace(",", ".")))
    if match := _STRAND_TEXT.fullmatch(tidy):
        count = int(match[1])
        if match[2]:
            return stranded(count, awg(int(match[2])))
        return stranded_metric(count, float(match[3].replace(",", ".")))
    match = _AWG_TEXT.fullmatch(tidy)
    if match is None:
        raise UnknownSize(_NO_SIZE, text=_shown(text))
    number = match[1]
    if match[0] == number and "/" not in number:
        raise UnknownSize(
            "{text} does not say which system it is: write {number} AWG, SAE {number} "
            "or {number} mm2.",
            text=_shown(text),
            number=number,
        )
    return awg(_gauge_number(number, text))


def _shown(text: str) -> str:
    """Quote what a person typed, cut to a length that fits one sentence."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def _gauge_number(number: str, text: str) -> int:
    if "/" in number:
        return 1 - int(number[0])
    if set(number) == {"0"}:
        return 1 - len(number)
    if len(number) > 2 or number.startswith("0"):
        raise UnknownSize(_NO_SIZE, text=_shown(text))
    return int(number)


def _gauge(number: int) -> str:
    return f"{1 - number}/0" if number <= 0 else str(number)


def awg(number: int) -> WireSize:
    """American Wire Gauge size by number; 1/0 to 4/0 are 0 to -3.

    Diameter by ASTM B258 [seen-3]: 0.005 inch times 92 to the power (36 - n)/39.

    Raises
    ------
    UnknownSize
        Thicker than 4/0 or thinner than 30.
    """
    label = f"{_gauge(number)} AWG"
    if not AWG_THICKEST <= number <= AWG_THINNEST:
        raise UnknownSize(
            "{label} is outside the sizes this station knows: 4/0 AWG to 30 AWG.", label=label
        )
    diameter_m = 0.005 * METRE_PER_INCH * 92.0 ** ((36 - number) / 39.0)
    return WireSize("AWG", label, math.pi / 4.0 * diameter_m**2)


def sae(number: int) -> WireSize:
    """SAE gauge size by number; 1/0 to 4/0 are 0 to -3 (areas of :data:`SAE_CIRCULAR_MILS`).

    Raises
    ------
    UnknownSize
        No area is known for that number.
    """
    if number not in SAE_CIRCULAR_MILS:
        known = ", ".join(map(_gauge, SAE_CIRCULAR_MILS))
        raise UnknownSize(
            "SAE {number} is not a size this station knows: it has SAE {known}.",
            number=_gauge(number),
            known=known,
        )
    return WireSize("SAE", f"SAE {_gauge(number)}", SAE_CIRCULAR_MILS[number] * CIRCULAR_MIL_M2)


def metric(area_mm2: float) -> WireSize:
    """Metric size by nominal cross section in mm²: a label, not a measured area [seen-5].

    Raises
    ------
    UnknownSize
        Outside 0.03 to 400 mm².
    """
    low, high = METRIC_RANGE_MM2
    if not low <= area_mm2 <= high:
        raise UnknownSize(
            "{area_mm2:g} mm2 is outside the sizes this station knows: {low:g} to {high:g} mm2.",
            area_mm2=area_mm2,
            low=low,
            high=high,
        )
    return WireSize("mm2", f"{area_mm2:g} mm2", area_mm2 * SQUARE_MILLIMETRE_M2)


def stranded(count: int, strand: WireSize) -> WireSize:
    """A bundle of equal strands by gauge, such as 16 strands of 30 AWG (``16x30 AWG``).

    Raises
    ------
    UnknownSize
        No strands, or more than a thousand.
    """
    return _bundle(count, strand.area_m2, strand.label)


def stranded_metric(count: int, strand_mm: float) -> WireSize:
    """A bundle of equal strands by diameter in millimetres, such as ``19x0.23 mm``.

    Raises
    ------
    UnknownSize
        No strands, more than a thousand, or strands outside 0.02 to 5 mm.
    """
    if not 0.02 <= strand_mm <= 5.0:
        raise UnknownSize(f"A strand of {strand_mm:g} mm is outside 0.02 to 5 mm.")
    return _bundle(count, math.pi / 4.0 * (strand_mm * 1e-3) ** 2, f"{strand_mm:g} mm")


def _bundle(count: int, strand_area_m2: float, strand_label: str) -> WireSize:
    if not 1 <= count <= 1000:
        raise UnknownSize(f"A wire of {count} strands is not one: 1 to 1000.")
    return WireSize("strands", f"{count}x{strand_label}", count * strand_area_m2)


AWG_OF_TRADE: Sequence[int] = TABLES["trade"]["awg"]
METRIC_OF_TRADE: Sequence[float] = TABLES["trade"]["mm2"]


def sizes_of_installers() -> list[WireSize]:
    """Sizes that the shipped limits must cover: AWG 26 to 4/0, SAE 22 to 4/0, 0.35 to 120 mm²."""
    gauges = [*map(awg, AWG_OF_TRADE[2:]), *map(sae, SAE_CIRCULAR_MILS)]
    return [*gauges, *map(metric, METRIC_OF_TRADE)]


def material_named(name: str) -> Material:
    """Look a conductor metal up.

    Raises
    ------
    BadInput
        There is no such material.
    """
    if name not in MATERIALS:
        raise BadInput(
            "{name} is not a material: use one of {materials}.",
            name=_shown(name),
            materials=", ".join(MATERIALS),
        )
    return MATERIALS[name]


def temperature_factor(material: Material, temperature_c: float) -> float:
    """Resistance at a temperature over resistance at 20 °C.

    Raises
    ------
    BadInput
        Outside -60 to 200 °C, where the straight line is not meant.
    """
    if not -60.0 <= temperature_c <= 200.0:
        raise BadInput(
            f"A wire temperature of {temperature_c:g} °C is outside -60 to 200 °C: "
            "check the thermometer."
        )
    return 1.0 + material.temperature_coefficient_per_k * (temperature_c - 20.0)


def resistance_ohm_per_m(
    size: WireSize, material: Material = MATERIALS["copper"], temperature_c: float = 20.0
) -> float:
    """Resistance of a metre of wire of exactly this area, in ohm per metre."""
    return material.resistivity_ohm_m / size.area_m2 * temperature_factor(material, temperature_c)


def soft_break_force_n(size: WireSize, material: Material = MATERIALS["copper"]) -> float:
    """Force at which annealed wire of this area breaks, in newton."""
    return material.soft_strength_pa * size.area_m2


def conservative_current_a(
    size: WireSize, material: Material = MATERIALS["copper"]
) -> float | None:
    """Current by 700 circular mils per ampere, in ampere; None for metals it is not meant for."""
    if not material.is_copper:
        return None
    return size.circular_mils / CONSERVATIVE_CIRCULAR_MILS_PER_AMPERE


def weakest_wire(wires: Sequence[str]) -> WireSize:
    """The thinnest wire of a joint: the one that is pulled and judged by its own size."""
    return min((parse_size(wire) for wire in wires), key=lambda wire: wire.area_m2)
