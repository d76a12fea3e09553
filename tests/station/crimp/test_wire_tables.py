import pytest

from station.crimp.wire import (
    MATERIALS,
    awg,
    metric,
    parse_size,
    resistance_ohm_per_m,
    sae,
    stranded,
)
from station.crimp.wire_tables import (
    IEC_60228_MAX_OHM_PER_KM,
    Basis,
    iec_60228_max_ohm_per_m,
)
from station.errors import BadInput

SAE_STRANDS = {20: (7, 28), 18: (16, 30), 16: (19, 29), 14: (19, 27), 12: (19, 25), 10: (19, 23)}
"""Strand count and strand gauge (AWG) of one SAE J1128 wire type, by its gauge [seen-1]."""


@pytest.mark.parametrize(
    ("size", "class_2", "class_5"),
    [("0.5 mm2", 36.0, 39.0), ("0.75 mm2", 24.5, 26.0), ("1 mm2", 18.1, 19.5),
     ("1.5 mm2", 12.1, 13.3), ("2.5 mm2", 7.41, 7.98), ("4 mm2", 4.61, 4.95),
     ("6 mm2", 3.08, 3.30), ("10 mm2", 1.83, 1.91)],
)  # fmt: skip
def test_iec_60228_rows(size: str, class_2: float, class_5: float) -> None:
    # IEC 60228 / DIN VDE 0295, plain copper, ohm/km at 20 °C [seen-5].
    wire = parse_size(size)
    assert iec_60228_max_ohm_per_m(wire, "iec-60228-class-2") * 1e3 == pytest.approx(class_2)
    assert iec_60228_max_ohm_per_m(wire, "iec-60228-class-5") * 1e3 == pytest.approx(class_5)


@pytest.mark.parametrize("area_mm2", IEC_60228_MAX_OHM_PER_KM)
def test_ideal_copper_lies_below_every_maximum(area_mm2: float) -> None:
    ideal = resistance_ohm_per_m(metric(area_mm2))
    bases: tuple[Basis, ...] = ("iec-60228-class-2", "iec-60228-class-5")
    for basis in bases:
        for tinned in (False, True):
            limit = iec_60228_max_ohm_per_m(metric(area_mm2), basis, tinned=tinned)
            assert ideal < limit < 1.2 * ideal


@pytest.mark.parametrize("area_mm2", IEC_60228_MAX_OHM_PER_KM)
def test_tinned_maxima_and_the_tinned_material_agree(area_mm2: float) -> None:
    # IEC 60228 tables [seen-5], tinned over plain: 1.006 to 1.030 [calc].
    ratio = MATERIALS["tinned-copper"].resistivity_ohm_m / MATERIALS["copper"].resistivity_ohm_m
    class_2, class_2_tinned, class_5, class_5_tinned = IEC_60228_MAX_OHM_PER_KM[area_mm2]
    assert class_2_tinned / class_2 == pytest.approx(ratio, abs=0.0135)
    assert class_5_tinned / class_5 == pytest.approx(ratio, abs=0.0135)


def test_a_size_that_is_not_in_the_table_is_refused() -> None:
    with pytest.raises(BadInput, match=r"no row for 0\.6 mm2"):
        iec_60228_max_ohm_per_m(metric(0.6), "iec-60228-class-5")
    with pytest.raises(BadInput, match="no row for 18 AWG"):
        iec_60228_max_ohm_per_m(awg(18), "iec-60228-class-5")


@pytest.mark.parametrize(
    ("gauge", "area_mm2"),
    [(20, 0.567), (18, 0.815), (16, 1.220), (14, 1.940), (12, 3.085), (10, 4.905)],
)
def test_strandings_add_up(gauge: int, area_mm2: float) -> None:
    # Strandings of wire to SAE J1128, from a vehicle maker's wiring guide [seen-1]; areas from the
    # strand gauges by ASTM B258 [calc].
    count, strand = SAE_STRANDS[gauge]
    assert stranded(count, awg(strand)).area_m2 * 1e6 == pytest.approx(area_mm2, abs=0.001)


def test_a_stranding_of_sae_gauge_is_near_its_area() -> None:
    for gauge in (18, 16, 14, 12, 10):
        count, strand = SAE_STRANDS[gauge]
        bundle = stranded(count, awg(strand)).area_m2
        assert bundle == pytest.approx(sae(gauge).area_m2, rel=0.06)
