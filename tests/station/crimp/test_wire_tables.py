import pytest

from station.crimp.wire import (
    MATERIALS,
    awg,
    metric,
    parse_size,
    resistance_ohm_per_m,
    sae,
    sizes_of_installers,
    stranded,
)
from station.crimp.wire_tables import (
    IEC_60228_MAX_OHM_PER_KM,
    SAE_STRANDS,
    Basis,
    WireBand,
    ampacities,
    band_of,
    bands,
    iec_60228_max_ohm_per_m,
)
from station.errors import BadInput


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


@pytest.mark.parametrize("size", [size.label for size in sizes_of_installers()])
def test_a_band_holds_what_is_usual_and_every_published_maximum(size: str) -> None:
    wire = parse_size(size)
    band = band_of(wire)
    assert band.low_ohm_per_m < band.expected_ohm_per_m < band.high_ohm_per_m
    assert band.low_ohm_per_m < resistance_ohm_per_m(wire) < band.high_ohm_per_m
    assert 0.0 < band.u_fraction < 0.08
    for one in bands(wire):
        assert one.source
        assert one.standing in ("seen-5", "memory", "shop")
        assert band.off_by(one.high_ohm_per_m) == band.off_by(one.low_ohm_per_m) == 0.0


@pytest.mark.parametrize(
    ("size", "high", "standing"),
    [
        # IEC 60228 class 5 [seen-5]; class 2 of 50 mm2 is the higher [seen-5]; 0.35 mm2 stands in
        # ISO 6722-1 only [memory].
        ("0.5 mm2", 39.0, "seen-5"), ("120 mm2", 0.161, "seen-5"), ("50 mm2", 0.387, "seen-5"),
        ("0.35 mm2", 54.4, "memory"),
    ],
)  # fmt: skip
def test_the_band_of_a_metric_size_ends_at_the_highest_allowed(
    size: str, high: float, standing: str
) -> None:
    band = band_of(parse_size(size))
    assert band.high_ohm_per_m * 1e3 == pytest.approx(high)
    assert band.standing == standing


def test_tinned_wire_has_the_tinned_maximum() -> None:
    # IEC 60228 class 5, tinned: 40.1 ohm/km for 0.5 mm2 [seen-5].
    band = band_of(parse_size("0.5 mm2"), MATERIALS["tinned-copper"])
    assert band.high_ohm_per_m * 1e3 == pytest.approx(40.1)


@pytest.mark.parametrize("gauge", SAE_STRANDS)
def test_the_bands_of_a_gauge_hold_the_stranding_of_car_wire_that_was_seen(gauge: int) -> None:
    # Strandings of a wiring guide to SAE J1128 [seen-1]; such wire is sold by its AWG number too.
    count, strand = SAE_STRANDS[gauge]
    car_wire = resistance_ohm_per_m(stranded(count, awg(strand)))
    assert band_of(sae(gauge)).off_by(car_wire) == band_of(awg(gauge)).off_by(car_wire) == 0.0


def test_a_band_says_how_far_off_a_value_is() -> None:
    band = WireBand("invented", 0.02, 0.03, 0.025, "invented", "shop")
    assert band.off_by(0.025) == 0.0
    assert band.off_by(0.033) == pytest.approx(0.1)
    assert band.off_by(0.018) == pytest.approx(-0.1)
    # Rectangular: half width over the root of three (JCGM 100:2008, 4.3.7) [calc].
    assert band.u_fraction == pytest.approx(0.005 / 3**0.5 / 0.025)


@pytest.mark.parametrize(
    ("size", "currents"),
    [
        # NEC 240.4(D) [seen-1]; ABYC E-11, 105 °C insulation, outside the engine space and inside,
        # 18 to 10 AWG [seen-2], thicker [seen-1].
        ("18 AWG", [(7, "seen-1"), (20, "seen-2"), (17, "seen-2")]),
        ("14 AWG", [(15, "seen-1"), (35, "seen-2"), (29.75, "seen-2")]),
        ("10 AWG", [(30, "seen-1"), (60, "seen-2"), (51, "seen-2")]),
        ("4/0 AWG", [(445, "seen-1"), (378.25, "seen-1")]),
        ("SAE 18", []), ("0.75 mm2", []), ("26 AWG", []),
    ],
)  # fmt: skip
def test_currents_for_a_fuse_say_where_they_are_from(
    size: str, currents: list[tuple[float, str]]
) -> None:
    found = ampacities(parse_size(size))
    told = [(round(item.current_a, 6), item.standing) for item in found]
    assert told == currents
    assert all(item.source and "insulation" in item.conditions for item in found)
