import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.units import CIRCULAR_MIL_M2, NEWTON_PER_KGF, NEWTON_PER_LBF


def test_factors_against_their_definitions() -> None:
    # International pound and standard gravity are exact by definition; with the inch of 25.4 mm a
    # circular mil is 506.7075 square micrometres [calc].
    assert pytest.approx(0.45359237 * 9.80665, rel=1e-15) == NEWTON_PER_LBF
    assert NEWTON_PER_KGF == 9.80665
    assert pytest.approx(506.7075e-12, rel=1e-6) == CIRCULAR_MIL_M2


@given(st.floats(1e-6, 1e6))
def test_units_round_trip(force_n: float) -> None:
    assert force_n / NEWTON_PER_LBF * NEWTON_PER_LBF == pytest.approx(force_n, rel=1e-15)
