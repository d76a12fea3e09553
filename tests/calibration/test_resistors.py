import math

import pytest

from calibration.resistors import ReferenceResistor


def test_a_resistor_follows_its_coefficient() -> None:
    # By hand: 10 mohm, 20 ppm/K, 5 K above its certificate: 10.001 mohm.
    resistor = ReferenceResistor("R-1", 10e-3, 1e-6, 20.0, 20e-6)
    value, budget = resistor.at(25.0, 0.5)
    assert value == pytest.approx(10.001e-3)
    by_name = {line.name: line.u for line in budget.contributions}
    assert by_name == {"certificate": 1e-6, "temperature": pytest.approx(10e-3 * 20e-6 * 0.5)}


def test_its_age_and_an_unknown_coefficient_count() -> None:
    resistor = ReferenceResistor("R-1", 1e-3, 0.0, 23.0, 0.0, 50e-6, 100e-6)
    _, fresh = resistor.at(23.0)
    value, aged = resistor.at(18.0, years=2.0)
    assert fresh.u == 0.0
    assert value == 1e-3
    # 100 ppm a year for two years, rectangular; 50 ppm/K over 5 K.
    assert aged.u == pytest.approx(1e-3 * math.hypot(200e-6 / math.sqrt(3), 250e-6))


@pytest.mark.parametrize("fields", [(0.0, 0.0), (math.nan, 0.0), (1.0, -1.0)])
def test_resistors_that_cannot_be(fields: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="R-1"):
        ReferenceResistor("R-1", *fields)
