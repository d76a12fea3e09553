import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.force import STANDARD_GRAVITY, HungWeight, hung_force, local_gravity


@pytest.mark.parametrize(
    ("latitude", "gravity"),
    # Moritz, Geodetic Reference System 1980: normal gravity at equator, 45 degrees, pole [memory].
    [(0.0, 9.7803267715), (45.0, 9.806199203), (90.0, 9.8321863685), (-45.0, 9.806199203)],
)
def test_normal_gravity_as_published(latitude: float, gravity: float) -> None:
    assert local_gravity(latitude) == pytest.approx(gravity, abs=2e-9)


@pytest.mark.parametrize(
    ("latitude", "height", "percent"),
    # What 9.80665 errs by: GRS80 normal gravity, less 3.086e-6 1/s² for each metre up [calc].
    [(0, 0, 0.27), (23, 0, 0.19), (35, 0, 0.10), (45, 0, 0.00), (52, 0, -0.06), (60, 0, -0.13),
     (19.43, 2240, 0.28)],
)  # fmt: skip
def test_standard_gravity_errs_as_listed(latitude: float, height: float, percent: float) -> None:
    error = 100.0 * (STANDARD_GRAVITY / local_gravity(latitude, height) - 1.0)
    assert error == pytest.approx(percent, abs=0.0051)


def test_ten_kilogram_at_the_equator_and_at_45_degrees() -> None:
    # By hand [calc]: 10 kg times 9.80620 or 9.78033 m/s², less 0.015 % buoyancy of steel.
    ten = HungWeight(10.0)
    north, _ = hung_force(ten, local_gravity(45.0))
    equator, _ = hung_force(ten, local_gravity(0.0))
    assert north == pytest.approx(98.0473, abs=5e-5)
    assert equator == pytest.approx(97.7886, abs=5e-5)
    assert 100.0 * (north / equator - 1.0) == pytest.approx(0.265, abs=0.001)


def test_pole_against_equator() -> None:
    # 0.53 % from equator to pole, as texts on local gravity say [seen-1]; GRS80 gives it [calc].
    assert 100.0 * (local_gravity(90.0) / local_gravity(0.0) - 1.0) == pytest.approx(
        0.53, abs=0.005
    )


def test_budget_of_a_weight_by_hand() -> None:
    force, budget = hung_force(HungWeight(5.0, 0.001), 9.81, 5e-4)
    by_name = {line.name: line.u for line in budget.contributions}
    assert force == pytest.approx(5.0 * 9.81 * (1 - 1.2 / 8000))
    assert by_name["mass"] == pytest.approx(0.001 * 9.81, rel=2e-4)
    assert by_name["gravity"] == pytest.approx(5.0 * 5e-4, rel=2e-4)
    assert by_name["air buoyancy"] == pytest.approx(5.0 * 9.81 * 0.12 / math.sqrt(3) / 8000)


@given(st.floats(-90, 90), st.floats(0, 4000), st.floats(1e-3, 100))
def test_force_is_proportional_to_mass_and_below_its_weight(
    latitude: float, height: float, mass: float
) -> None:
    gravity = local_gravity(latitude, height)
    one, _ = hung_force(HungWeight(mass), gravity)
    two, _ = hung_force(HungWeight(2 * mass), gravity)
    assert two == pytest.approx(2 * one)
    assert one < mass * gravity


@pytest.mark.parametrize(
    ("latitude", "height"), [(91.0, 0.0), (math.nan, 0.0), (0.0, 1e5), (0.0, math.nan)]
)
def test_places_that_are_not_on_earth(latitude: float, height: float) -> None:
    with pytest.raises(ValueError, match="must lie between"):
        local_gravity(latitude, height)


@pytest.mark.parametrize(
    "fields", [(0.0,), (-1.0,), (math.nan,), (1.0, -1.0), (1.0, 0.0, 1.0)]
)  # fmt: skip
def test_weights_that_cannot_be(fields: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match=r"mass|light"):
        HungWeight(*fields)
