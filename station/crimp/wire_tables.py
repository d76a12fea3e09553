"""Published conductor tables: what a standard allows a metre of wire to be.

``IEC 60228`` states the highest resistance at 20 °C by nominal cross section; a wire within the
standard lies below it, usually by a few per cent. The nominal square millimetres are a label, not a
measured area.

No standard states a lowest resistance, and none that was read a band for gauges: those ends of the
bands here are rules of our own, with their reasons beside them.
"""

from dataclasses import dataclass
from typing import Literal

from calibration.saying import say
from station.crimp.wire import (
    MATERIALS,
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

IEC_60228_MAX_OHM_PER_KM: dict[float, tuple[float, float, float, float]] = {
    0.5: (36.0, 36.7, 39.0, 40.1),
    0.75: (24.5, 24.8, 26.0, 26.7),
    1.0: (18.1, 18.2, 19.5, 20.0),
    1.5: (12.1, 12.2, 13.3, 13.7),
    2.5: (7.41, 7.56, 7.98, 8.21),
    4.0: (4.61, 4.70, 4.95, 5.09),
    6.0: (3.08, 3.11, 3.30, 3.39),
    10.0: (1.83, 1.84, 1.91, 1.95),
    16.0: (1.15, 1.16, 1.21, 1.24),
    25.0: (0.727, 0.734, 0.780, 0.795),
    35.0: (0.524, 0.529, 0.554, 0.565),
    50.0: (0.387, 0.391, 0.386, 0.393),
    70.0: (0.268, 0.270, 0.272, 0.277),
    95.0: (0.193, 0.195, 0.206, 0.210),
    120.0: (0.153, 0.154, 0.161, 0.164),
}
"""By nominal mm²: class 2 plain, class 2 tinned, class 5 plain, class 5 tinned."""

_COLUMN = {
    ("iec-60228-class-2", False): 0,
    ("iec-60228-class-2", True): 1,
    ("iec-60228-class-5", False): 2,
    ("iec-60228-class-5", True): 3,
}

SAE_STRANDS = {20: (7, 28), 18: (16, 30), 16: (19, 29), 14: (19, 27), 12: (19, 25), 10: (19, 23)}
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
    0.13: 136.0, 0.22: 84.4, 0.35: 54.4, 0.5: 37.1, 0.75: 24.7, 1.0: 18.5, 1.25: 14.9, 1.5: 12.7,
    2.0: 9.42, 2.5: 7.60, 3.0: 6.15, 4.0: 4.71, 5.0: 3.94, 6.0: 3.14, 8.0: 2.38, 10.0: 1.82,
    16.0: 1.16, 25.0: 0.743, 35.0: 0.527, 50.0: 0.368,
}  # fmt: skip
"""Road vehicle wire, plain copper at 20 °C, by nominal mm²: ISO 6722-1 (now ISO 19642-3)
[memory]."""

MOST_METAL = 1.05
"""A metric wire has at most 5 % more copper than its label says: strandings of the trade lie up to
there (our own rule; nobody gives copper away)."""

GAUGE_BAND = (0.91, 1.09)
"""A gauge wire's resistance over that of solid copper of its area: car wire that is sold by a gauge
number holds from 7 % less (19x29 as 16) to 9.5 % more metal (7x28 as 20) [seen-1; ratios computed],
and its strands lie up to 2 % longer (our own rule)."""

SAE_BAND = (0.94, 1.06)
"""The same for SAE gauges: the strandings seen hold up to 5 % more metal than the table of areas
[seen-1], the least areas remembered up to 5 % less [memory] (our own rule)."""

UNLISTED_MOST = 1.16
"""Highest resistance of a metric size without a row over that of its label in copper: the largest
ratio of IEC 60228 class 5 [seen-5; ratio computed] (our own rule)."""


@dataclass(frozen=True, slots=True)
class Ampacity:
    """A current for one size of copper wire, with the conditions that it is stated for."""

    current_a: float
    title: str
    conditions: str
    source: str
    standing: str


FUSE_A = {"18 AWG": 7.0, "16 AWG": 10.0, "14 AWG": 15.0, "12 AWG": 20.0, "10 AWG": 30.0}
"""Largest fuse of small copper conductors: NEC 240.4(D) [seen-1]."""

MARINE_A = {
    "18 AWG": 20.0, "16 AWG": 25.0, "14 AWG": 35.0, "12 AWG": 45.0, "10 AWG": 60.0, "8 AWG": 80.0,
    "6 AWG": 120.0, "4 AWG": 160.0, "2 AWG": 210.0, "1/0 AWG": 285.0, "2/0 AWG": 330.0,
    "4/0 AWG": 445.0,
}  # fmt: skip
"""Boat wiring, insulation for 105 °C, outside the engine space: ABYC E-11, 18 to 10 AWG [seen-2],
thicker [seen-1]."""

ENGINE_SPACE = 0.85
"""Inside the engine space, times the value outside: the same [seen-2]."""


def ampacities(size: WireSize) -> list[Ampacity]:
    """Published currents for a size; none where no text that was read has the size.

    Wire by AWG only: SAE gauges and metric wire have no figure here, and none is made up.
    """
    found = []
    if size.label in FUSE_A:
        found.append(
            Ampacity(
                FUSE_A[size.label], say("largest fuse or breaker"),
                say("small copper conductors in buildings; continuous load at most 80 % of it; "
                    "insulation, bundling and ambient as that code's tables say"),
                say("NEC 240.4(D), edition not noted; check the edition in force"), "seen-1",
            )
        )  # fmt: skip
    if size.label in MARINE_A:
        standing = "seen-2" if size.label in FUSE_A else "seen-1"
        outside = say("most current, outside an engine space")
        inside = say("most current, inside an engine space")
        places = ((outside, 1.0), (inside, ENGINE_SPACE))
        found += [
            Ampacity(
                MARINE_A[size.label] * factor, title,
                say("copper in boats, insulation for 105 °C; "
                    "bundling and ambient not stated there"),
                say("marine tables after ABYC E-11; check the edition in force"), standing,
            )
            for title, factor in places
        ]  # fmt: skip
    return found


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
    low = plain / MOST_METAL
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
            "our own rule", low, UNLISTED_MOST * plain,
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
    least, most = SAE_BAND if size.system == "SAE" else GAUGE_BAND
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
