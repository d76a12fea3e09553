import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.wire import MATERIALS, parse_size, resistance_ohm_per_m
from station.crimp.wire_check import WireCheck, check_wire
from station.errors import BadInput

SOLD = parse_size("18 AWG")


def one_metre(size: str, material: str = "copper", u_ohm: float = 5e-5) -> WireCheck:
    ohm = resistance_ohm_per_m(parse_size(size), MATERIALS[material])
    return check_wire(ohm, 1.0, SOLD, u_ohm=u_ohm, u_length_m=0.001, u_temperature_k=1.0)


def names(check: WireCheck) -> set[str]:
    return {candidate.name for candidate in check.candidates}


def test_copper_as_sold() -> None:
    check = one_metre("18 AWG")
    assert check.answer == "as sold"
    assert "agrees" in check.sentence


@pytest.mark.parametrize("clad", ["cca-10", "cca-15"])
def test_clad_aluminium_sold_as_copper(clad: str) -> None:
    # ASTM B566 conductivities [seen-1]: 33.3 and 32.5 mohm/m against 20.95 of copper [calc].
    check = one_metre("18 AWG", clad)
    assert check.answer == "not as sold"
    assert "20 AWG copper" in names(check)
    assert any("clad" in name for name in names(check))


def test_sae_gauge_sold_as_awg() -> None:
    # SAE 18 is 5.4 % thinner than 18 AWG, by a marine table of both areas [seen-1].
    check = one_metre("SAE 18")
    assert check.answer == "not as sold"
    assert "SAE 18 copper" in names(check)
    assert "SAE 18" in check.sentence


def test_cannot_tell_where_the_uncertainty_is_too_large() -> None:
    check = one_metre("18 AWG", u_ohm=2e-3)
    assert check.answer == "cannot tell"
    assert "SAE 18 copper" in names(check)


def test_nothing_fits() -> None:
    check = check_wire(2.0, 1.0, SOLD, u_ohm=1e-3)
    assert check.answer == "not as sold"
    assert "fits no size" in check.sentence


def test_temperature_is_taken_off() -> None:
    warm = resistance_ohm_per_m(SOLD, temperature_c=45.0)
    assert check_wire(warm, 1.0, SOLD, u_ohm=5e-5, temperature_c=45.0).answer == "as sold"
    assert check_wire(warm, 1.0, SOLD, u_ohm=5e-5).answer == "not as sold"


@given(st.floats(0.2, 20.0))
def test_length_does_not_matter(length_m: float) -> None:
    ohm = resistance_ohm_per_m(parse_size("20 AWG")) * length_m
    check = check_wire(ohm, length_m, SOLD, u_ohm=ohm * 1e-3, u_length_m=length_m * 1e-3)
    assert check.answer == "not as sold"
    assert "20 AWG copper" in names(check)


@pytest.mark.parametrize(
    ("ohm", "length_m", "u_ohm"),
    [(0.0, 1.0, 0.0), (-1.0, 1.0, 0.0), (1.0, 0.0, 0.0), (math.nan, 1.0, 0.0), (1.0, 1.0, -1.0)],
)
def test_impossible_values_are_refused(ohm: float, length_m: float, u_ohm: float) -> None:
    with pytest.raises(BadInput):
        check_wire(ohm, length_m, SOLD, u_ohm=u_ohm)


@pytest.mark.parametrize(
    ("size", "mohm_per_m", "standards"),
    [
        # IEC 60228 / DIN VDE 0295, plain copper at 20 °C, class 2 and class 5 maxima [seen-5]; ISO
        # 6722-1, 24.7 and 54.4 mohm/m [memory].
        ("0.75 mm2", 24.5, {"IEC 60228 class 2", "IEC 60228 class 5", "ISO 6722-1"}),
        ("0.75 mm2", 25.9, {"IEC 60228 class 5"}),
        ("0.5 mm2", 39.0, {"IEC 60228 class 5"}),
        ("1.5 mm2", 13.3, {"IEC 60228 class 5"}),
        ("16 mm2", 1.20, {"IEC 60228 class 5"}),
        ("0.35 mm2", 52.0, {"ISO 6722-1"}),
    ],
)
def test_a_wire_is_what_its_standard_accepts(
    size: str, mohm_per_m: float, standards: set[str]
) -> None:
    ohm = mohm_per_m * 1e-3
    check = check_wire(ohm, 1.0, parse_size(size), u_ohm=1e-4 * ohm)
    assert check.answer == "as sold"
    assert {band.standard for band in check.fits} == standards
    assert all(band.low_ohm_per_m < ohm for band in check.fits)


@pytest.mark.parametrize(("size", "mohm_per_m"), [("0.75 mm2", 27.0), ("2.5 mm2", 8.6)])
def test_a_wire_above_every_maximum_is_not_as_sold(size: str, mohm_per_m: float) -> None:
    # Class 5 maxima are 26.0 and 7.98 mohm/m [seen-5].
    ohm = mohm_per_m * 1e-3
    check = check_wire(ohm, 1.0, parse_size(size), u_ohm=1e-3 * ohm)
    assert check.answer == "not as sold"
    assert check.fits == ()


def test_a_poor_meter_cannot_tell_a_metric_wire_from_a_thinner_one() -> None:
    check = check_wire(0.0258, 1.0, parse_size("0.75 mm2"), u_ohm=4e-3)
    assert check.answer == "cannot tell"
