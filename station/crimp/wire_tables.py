"""Published conductor tables: what a standard allows a metre of wire to be.

``IEC 60228`` states the highest resistance at 20 °C by nominal cross section; a wire within the
standard lies below it, usually by a few per cent. The nominal square millimetres are a label, not a
measured area.
"""

from typing import Literal

from station.crimp.wire import WireSize
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
