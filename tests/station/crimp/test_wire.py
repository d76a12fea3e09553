import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.units import NEWTON_PER_LBF, SQUARE_MILLIMETRE_M2
from station.crimp.wire import (
    AWG_THICKEST,
    AWG_THINNEST,
    MATERIALS,
    awg,
    conservative_current_a,
    material_named,
    parse_size,
    resistance_ohm_per_m,
    sae,
    sizes_of_installers,
    soft_break_force_n,
)
from station.errors import BadInput, UnknownSize

# Ohm per 1000 ft at 20 °C, 4/0 to 22 AWG: a public list of copper wire, of which 17 values were
# read, all to four digits [seen-1]; the rest from ASTM B258 and 100 % IACS [calc].
OHM_PER_KILOFOOT = {
    "4/0 AWG": 0.04901, "3/0 AWG": 0.0618, "2/0 AWG": 0.07793, "1/0 AWG": 0.09827,
    "1 AWG": 0.1239, "2 AWG": 0.1563, "3 AWG": 0.197, "4 AWG": 0.2485, "5 AWG": 0.3133,
    "6 AWG": 0.3951, "7 AWG": 0.4982, "8 AWG": 0.6282, "9 AWG": 0.7921, "10 AWG": 0.9989,
    "11 AWG": 1.26, "12 AWG": 1.588, "13 AWG": 2.003, "14 AWG": 2.525, "15 AWG": 3.184,
    "16 AWG": 4.016, "17 AWG": 5.064, "18 AWG": 6.385, "19 AWG": 8.051, "20 AWG": 10.15,
    "21 AWG": 12.8, "22 AWG": 16.14,
}  # fmt: skip

# "Power transmission" column of a public AWG current table, which names a handbook of electronic
# tables and formulas as its origin, amperes [seen-1]; 20 and 16 AWG [seen-2].
POWER_TRANSMISSION_A = {
    "22 AWG": 0.92, "20 AWG": 1.5, "18 AWG": 2.3, "16 AWG": 3.7, "14 AWG": 5.9, "12 AWG": 9.3,
    "10 AWG": 15.0, "8 AWG": 24.0, "6 AWG": 37.0, "4 AWG": 60.0, "2 AWG": 94.0, "1/0 AWG": 150.0,
    "4/0 AWG": 302.0,
}  # fmt: skip

# Breaking load of annealed wire at 37,000 psi, lbf, 14 to 17 AWG: a public wire table [seen-1].
SOFT_BREAK_LBF = {"14 AWG": 119.0, "15 AWG": 94.0, "16 AWG": 75.0, "17 AWG": 59.0}


@pytest.mark.parametrize(("label", "expected"), OHM_PER_KILOFOOT.items())
def test_resistance_against_public_copper_list(label: str, expected: float) -> None:
    per_kilofoot = resistance_ohm_per_m(parse_size(label)) * 304.8
    assert float(f"{per_kilofoot:.4g}") == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("label", "expected"), POWER_TRANSMISSION_A.items())
def test_conservative_current_against_printed_column(label: str, expected: float) -> None:
    assert conservative_current_a(parse_size(label)) == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(("label", "expected"), SOFT_BREAK_LBF.items())
def test_soft_break_against_printed_loads(label: str, expected: float) -> None:
    lbf = soft_break_force_n(parse_size(label)) / NEWTON_PER_LBF
    assert lbf == pytest.approx(expected, abs=0.7)


def test_twenty_gauge_carries_one_and_a_half_ampere() -> None:
    # 1022 circular mils over 700: 1.46 A [calc], printed as 1.5 in the tables above [seen-2].
    assert conservative_current_a(awg(20)) == pytest.approx(1.46, abs=0.005)
    # 18 AWG carries 2.3 A and 10 AWG 15 A: the column above [seen-1].
    assert conservative_current_a(awg(18)) == pytest.approx(2.3, abs=0.05)
    assert conservative_current_a(awg(10)) == pytest.approx(15.0, abs=0.2)


def test_three_inches_of_18_awg() -> None:
    # 76.2 mm of 18 AWG is 1.596 mohm at 20 °C, from ASTM B258 and IACS [calc].
    assert resistance_ohm_per_m(parse_size("18 AWG")) * 0.0762 * 1e3 == pytest.approx(
        1.596, abs=5e-4
    )


def test_sae_wire_is_thinner_than_awg_of_the_same_number() -> None:
    # SAE areas from a marine table that sets them beside AWG [seen-1]: 152.4 mm of SAE 16 is
    # 2.220 mohm, of 16 AWG 2.008 [calc].
    assert resistance_ohm_per_m(sae(16)) * 152.4 == pytest.approx(2.220, abs=5e-4)
    assert resistance_ohm_per_m(awg(16)) * 152.4 == pytest.approx(2.008, abs=5e-4)


def test_clad_wire_sold_as_18_awg() -> None:
    # ASTM B566, as a data sheet of clad wire made to it says: 10A and 15A at least 62.9 and 64.4 %
    # IACS [seen-1], so 33.3 and 32.5 mohm/m [calc].
    wire = parse_size("18 AWG")
    assert resistance_ohm_per_m(wire, MATERIALS["cca-10"]) * 1e3 == pytest.approx(33.3, abs=0.05)
    assert resistance_ohm_per_m(wire, MATERIALS["cca-15"]) * 1e3 == pytest.approx(32.5, abs=0.05)


@pytest.mark.parametrize(
    ("name", "psi"),
    [("copper", 37_000), ("tinned-copper", 37_000), ("cca-10", 20_000), ("cca-15", 20_000)],
)
def test_strengths_are_those_printed_in_psi(name: str, psi: float) -> None:
    # Annealed copper 37,000 psi, ASTM B566 20 ksi at least [seen-1]; a psi is 6894.757 Pa [calc].
    assert MATERIALS[name].soft_strength_pa == pytest.approx(psi * 6894.757, rel=1e-6)


@pytest.mark.parametrize(("name", "copper"), [("cca-10", 0.10), ("cca-15", 0.15)])
def test_a_clad_wire_warms_as_its_two_metals_side_by_side(name: str, copper: float) -> None:
    # Weighted by conductance: copper 58 m/(ohm mm2), 0.00393/K; aluminium 0.028264 ohm mm2/m,
    # 0.00403/K, IEC 60028 and NBS Handbook 100 [memory]; the mean [calc].
    shares = (copper * 58.0, (1.0 - copper) / 0.028264)
    mean = (shares[0] * 0.00393 + shares[1] * 0.00403) / sum(shares)
    assert MATERIALS[name].temperature_coefficient_per_k == pytest.approx(mean, rel=1e-12)


def test_copper_at_30_c_against_the_zero_resistance_form() -> None:
    # R(T) = R20 (234.5 + T)/254.5 for copper: NBS Circular 31, 234.5 [memory].
    at_30 = resistance_ohm_per_m(awg(16), temperature_c=30.0) / resistance_ohm_per_m(awg(16))
    assert at_30 == pytest.approx(264.5 / 254.5, rel=1e-5)


def test_higher_number_is_thinner_wire() -> None:
    # ASTM B258 [seen-3]: the higher the number, the thinner.
    areas = [awg(n).area_m2 for n in range(AWG_THICKEST, AWG_THINNEST + 1)]
    assert areas == sorted(areas, reverse=True)


def test_three_gauges_halve_the_area() -> None:
    # A rule of thumb [common practice, no source]; 92 ** (6 / 39) = 2.005 by ASTM B258 [calc].
    assert awg(18).area_m2 / awg(15).area_m2 == pytest.approx(0.5, rel=0.01)


@pytest.mark.parametrize(
    ("text", "label"),
    [
        ("18 AWG", "18 AWG"), ("18AWG", "18 AWG"), ("18 awg", "18 AWG"), ("AWG 18", "18 AWG"),
        (" 18  gauge ", "18 AWG"), ("1/0", "1/0 AWG"), ("2/0 awg", "2/0 AWG"),
        ("000 AWG", "3/0 AWG"), ("0 AWG", "1/0 AWG"), ("SAE 16", "SAE 16"), ("sae16", "SAE 16"),
        ("0,75 mm²", "0.75 mm2"), ("0.75mm2", "0.75 mm2"), ("1.0 mm^2", "1 mm2"),
        (".5 mm2", "0.5 mm2"), ("16x30 AWG", "16x30 AWG"), ("19 × 0,23 mm", "19x0.23 mm"),
    ],
)  # fmt: skip
def test_sizes_are_read_as_people_write_them(text: str, label: str) -> None:
    assert parse_size(text).label == label


@pytest.mark.parametrize(
    "text",
    ["", "-3 AWG", "31 AWG", "5/0", "0/0", "18", "wire", "nan AWG", "1e3 mm2", "0 mm2", "500 mm2",
     "SAE 17", "018 AWG", "٣ AWG", "18 AWG; rm", "x" * 10_000],
)  # fmt: skip
def test_other_text_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(UnknownSize) as caught:
        parse_size(text)
    message = str(caught.value)
    assert "\n" not in message
    assert len(message) < 160


@given(st.integers(AWG_THICKEST, AWG_THINNEST))
def test_awg_labels_round_trip(number: int) -> None:
    assert parse_size(awg(number).label) == awg(number)


@given(st.floats(0.05, 300.0).map(lambda area: float(f"{area:.4g}")))
def test_metric_labels_round_trip(area_mm2: float) -> None:
    size = parse_size(f"{area_mm2:g} mm2")
    assert size.area_m2 == pytest.approx(area_mm2 * SQUARE_MILLIMETRE_M2)
    assert parse_size(size.label) == size


def test_diameter_of_a_gauge_is_the_gauge_diameter() -> None:
    # ASTM B258 [seen-3]: 36 AWG is 0.005 inch, 0000 is 0.46 inch.
    assert awg(-3).diameter_m == pytest.approx(0.46 * 0.0254, rel=1e-12)


def test_no_current_rule_for_clad_wire() -> None:
    assert conservative_current_a(awg(18), MATERIALS["cca-10"]) is None


def test_unknown_material_names_those_there_are() -> None:
    with pytest.raises(BadInput, match="cca-10"):
        material_named("unobtainium")


@pytest.mark.parametrize("temperature_c", [-100.0, 300.0, math.nan])
def test_temperature_out_of_range_is_refused(temperature_c: float) -> None:
    with pytest.raises(BadInput, match="thermometer"):
        resistance_ohm_per_m(awg(18), temperature_c=temperature_c)


# Conductor areas in circular mils that a marine table sets beside AWG: 18 to 10 [seen-1]; the
# others [memory].
SAE_TABLE = {
    "SAE 18": 1537, "SAE 16": 2336, "SAE 14": 3702, "SAE 12": 5833, "SAE 10": 9343, "SAE 8": 14810,
    "SAE 6": 24538, "SAE 4": 37360, "SAE 2": 62450, "SAE 1": 77790, "SAE 1/0": 98980,
    "SAE 2/0": 125100, "SAE 3/0": 158600, "SAE 4/0": 205500,
}  # fmt: skip


@pytest.mark.parametrize(("label", "mils"), SAE_TABLE.items())
def test_sae_gauges_to_four_aught(label: str, mils: float) -> None:
    size = parse_size(label)
    assert size.label == label
    assert size.circular_mils == pytest.approx(mils)


@pytest.mark.parametrize(("gauge", "mm2"), [(8, 8.0), (6, 13.0), (4, 19.0), (2, 32.0)])
def test_remembered_sae_areas_lie_near_their_metric_labels(gauge: int, mm2: float) -> None:
    # SAE metric labels of the gauges, from a wiring guide and a vehicle page [seen-2].
    assert sae(gauge).area_m2 * 1e6 == pytest.approx(mm2, rel=0.065)


@pytest.mark.parametrize(
    ("text", "label"),
    [("1/0 SAE", "SAE 1/0"), ("sae 00", "SAE 2/0"), ("SAE4/0", "SAE 4/0"), ("SAE 0", "SAE 1/0")],
)
def test_sae_aughts_as_people_write_them(text: str, label: str) -> None:
    assert parse_size(text).label == label


def test_the_sizes_of_an_installer() -> None:
    sizes = sizes_of_installers()
    labels = [size.label for size in sizes]
    for label in ("26 AWG", "4/0 AWG", "SAE 22", "SAE 4/0", "0.35 mm2", "120 mm2"):
        assert label in labels
    for size in sizes:
        assert parse_size(size.label) == size
