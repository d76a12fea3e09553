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
