"""Published conductor tables: what a standard allows a metre of wire to be.

``IEC 60228`` states the highest resistance at 20 °C by nominal cross section; a wire within the
standard lies below it, usually by a few per cent. The nominal square millimetres are a label, not a
measured area.

No standard states a lowest resistance, and none that was read a band for gauges: those ends of the
bands here are rules of our own, with their reasons beside them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from station.crimp.wire import (
    MATERIALS,
    TABLES,
    Material,
    WireSize,
    awg,
    resistance_ohm_per_m,
    stranded,
)
from station.errors import BadInput

Basis = Literal["area", "iec-60228-class-2", "iec-60228-class-5"]

BASES: tuple[Basis, ...] = ("area", "iec-60228-class-2", "iec-60228-class-5")

IEC_60228_SOURCE = "IEC 60228 / DIN VDE 0295 maxima at 20 °C (seen in five texts)"

IEC_60228_MAX_OHM_PER_KM: dict[float, list[float]] = {
    float(area): row for area, row in TABLES["iec_60228_max_ohm_per_km"].items()
}
"""By nominal mm²: class 2 plain, class 2 tinned, class 5 plain, class 5 tinned."""

_COLUMN = {
    ("iec-60228-class-2", False): 0,
    ("iec-60228-class-2", True): 1,
    ("iec-60228-class-5", False): 2,
    ("iec-60228-class-5", True): 3,
}

SAE_STRANDS = {int(gauge): row for gauge, row in TABLES["sae_strands"].items()}
"""Strand count and strand gauge (AWG) of one SAE J1128 wire type, by its gauge [seen-1]."""


def iec_60228_max_ohm_per_m(size: WireSize, basis: Basis, *, tinned: bool = False) -> float:
    """Highest resistance at 20 °C that IEC 60228 allows, in ohm per metre.

    Parameters
    ----------
    size
        A metric size that the table lists.
    basis
        ``iec-60228-class-2`` (stranded) or ``iec-60228-class-5`` (flexible).

    Raises
    ------
    BadInput
        The size is not in the table; sizes are not interpolated.
    """
    area_mm2 = round(size.area_m2 * 1e6, 6)
    if size.system != "mm2" or area_mm2 not in IEC_60228_MAX_OHM_PER_KM:
        known = ", ".join(f"{area:g}" for area in IEC_60228_MAX_OHM_PER_KM)
        raise BadInput(f"IEC 60228 has no row for {size.label}: it lists {known} mm2.")
    return IEC_60228_MAX_OHM_PER_KM[area_mm2][_COLUMN[(basis, tinned)]] / 1000.0


ISO_6722_MAX_OHM_PER_KM = {
    float(area): highest for area, highest in TABLES["iso_6722_max_ohm_per_km"].items()
}
"""Road vehicle wire, plain copper at 20 °C, by nominal mm²: ISO 6722-1 (now ISO 19642-3)
[memory]."""

BANDS: Mapping[str, Any] = TABLES["bands"]
"""Ends of bands by rules of our own, each with its reason beside it in the file."""


@dataclass(frozen=True, slots=True)
class Ampacity:
    """A current for one size of copper wire, with the conditions that it is stated for."""

    current_a: float
    title: str
    conditions: str
    source: str
    standing: str


def ampacities(size: WireSize) -> list[Ampacity]:
    """Published currents for a size; none where no text that was read has the size.

    Wire by AWG only: SAE gauges and metric wire have no figure here, and none is made up.
    """
    return [
        Ampacity(
            one["current_a"][size.label] * place["times"],
            place["title"],
            one["conditions"],
            one["stated_in"],
            one["standing"],
        )
        for one in TABLES["ampacities"]
        if size.label in one["current_a"]
        for place in one["places"]
    ]


@dataclass(frozen=True, slots=True)
class WireBand:
    """What a metre of wire may be at 20 °C, by one standard.

    Attributes
    ----------
    standard
        The standard's name, or that the band is our own rule.
    expected_ohm_per_m
        What such a wire is usually taken for: the metal of a gauge, the middle of a metric band.
    """

    standard: str
    low_ohm_per_m: float
    high_ohm_per_m: float
    expected_ohm_per_m: float
    source: str
    standing: str

    @property
    def published(self) -> bool:
        """False where the band is our own rule."""
        return self.standing != "shop"

    @property
    def middle_ohm_per_m(self) -> float:
        """Best estimate where nothing is known of the reel."""
        return 0.5 * (self.low_ohm_per_m + self.high_ohm_per_m)

    @property
    def u_fraction(self) -> float:
        """Relative standard uncertainty of the middle: rectangular between the ends."""
        half = 0.5 * (self.high_ohm_per_m - self.low_ohm_per_m)
        return half / 3**0.5 / self.middle_ohm_per_m

    def off_by(self, ohm_per_m: float) -> float:
        """How far a value lies outside, as a ratio to the nearer end less one; 0 within."""
        if ohm_per_m < self.low_ohm_per_m:
            return ohm_per_m / self.low_ohm_per_m - 1.0
        return max(0.0, ohm_per_m / self.high_ohm_per_m - 1.0)


def bands(size: WireSize, material: Material = MATERIALS["copper"]) -> list[WireBand]:
    """The band of every standard that knows the size, in the order of how well each is known.

    A gauge, a bundle of strands, a metric size without a row and a metal other than copper have one
    band, by a rule of our own.
    """
    plain = resistance_ohm_per_m(size, material)
    if size.system != "mm2":
        return [_gauge_band(size, plain)]
    low = plain / BANDS["most_metal"]
    found = [_iec_band(size, basis, material, low) for basis in BASES[1:]]
    known = [band for band in found if band is not None]
    highest = ISO_6722_MAX_OHM_PER_KM.get(round(size.area_m2 * 1e6, 6))
    if highest is not None and material.name == "copper":
        known.append(
            _band(
                "ISO 6722-1", low, highest * 1e-3,
                "ISO 6722-1 (now ISO 19642-3) maxima, from memory; lowest value our own rule",
                "memory",
            )
        )  # fmt: skip
    return known or [
        _band(
            "our own rule", low, BANDS["unlisted_most"] * plain,
            "no table lists this size: copper of its label, 5 % more of it to 14 % less", "shop",
        )
    ]  # fmt: skip


def band_of(size: WireSize, material: Material = MATERIALS["copper"]) -> WireBand:
    """The band that holds those of all standards: for a wire of which only the size is known.

    Its standing is that of the standard that reaches highest.
    """
    known = bands(size, material)
    widest = max(known, key=lambda band: band.high_ohm_per_m)
    low = min(band.low_ohm_per_m for band in known)
    if len(known) == 1:
        return widest
    return _band(widest.standard, low, widest.high_ohm_per_m, widest.source, widest.standing)


def _band(standard: str, low: float, high: float, source: str, standing: str) -> WireBand:
    return WireBand(standard, low, high, 0.5 * (low + high), source, standing)


def _iec_band(size: WireSize, basis: Basis, material: Material, low: float) -> WireBand | None:
    row = IEC_60228_MAX_OHM_PER_KM.get(round(size.area_m2 * 1e6, 6))
    if row is None or not material.is_copper:
        return None
    high = row[_COLUMN[(basis, material.name == "tinned-copper")]] * 1e-3
    name = f"IEC 60228 class {basis[-1]}"
    return _band(name, low, high, f"{IEC_60228_SOURCE}; lowest value our own rule", "seen-5")


def _gauge_band(size: WireSize, plain: float) -> WireBand:
    least, most = BANDS[size.system]
    low, reason = plain * least, "strandings of car wire sold by gauge, 7 % less to 9 % more"
    if size.system == "SAE":
        reason = "strandings seen once, least areas from memory"
        number = size.label.removeprefix("SAE ")
        if number.isdigit() and int(number) in SAE_STRANDS:
            count, strand = SAE_STRANDS[int(number)]
            low = min(low, plain * size.area_m2 / stranded(count, awg(strand)).area_m2 * 0.98)
    return WireBand(
        "our own rule", low, plain * most, plain,
        f"our own rule, no source: {reason}; a measured reel is better", "shop",
    )  # fmt: skip
