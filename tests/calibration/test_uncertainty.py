import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.uncertainty import Budget, Contribution, coverage_factor, repeatability


def test_effective_degrees_of_freedom_of_the_gum_end_gauge_example() -> None:
    # JCGM 100:2008, H.1.6: u = 32 nm from 25 (18), 9.7 (25.6), 16.6 (2) ... gives 16 effective
    # degrees of freedom [memory].
    budget = Budget.of(
        [
            Contribution("standard", 25.0, 18),
            Contribution("comparison", 9.7, 25.6),
            Contribution("expansion difference", 2.9, 50),
            Contribution("temperature difference", 16.6, 2),
        ]
    )
    assert budget.u == pytest.approx(31.7, abs=0.1)
    assert math.floor(budget.effective_dof) == 16


def test_coverage_factors_against_the_student_table() -> None:
    # JCGM 100:2008, table G.2 [memory]: t95 of 4, 10 and infinite dof.
    assert coverage_factor(0.975, 4) == pytest.approx(2.78, abs=0.005)
    assert coverage_factor(0.975, 10) == pytest.approx(2.23, abs=0.005)
    assert coverage_factor(0.975, math.inf) == pytest.approx(1.960, abs=0.0005)


def test_repeatability_of_one_value_claims_no_spread() -> None:
    assert repeatability([2.5]) == (2.5, 0.0, math.inf)


def test_repeatability_needs_values() -> None:
    with pytest.raises(ValueError, match="no repeats"):
        repeatability([])


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30))
def test_order_of_repeats_does_not_matter(values: list[float]) -> None:
    forward, backward = repeatability(values), repeatability(values[::-1])
    assert forward == pytest.approx(backward)


@given(st.lists(st.floats(1e-9, 1e3), min_size=1, max_size=8))
def test_combined_uncertainty_is_between_largest_line_and_plain_sum(parts: list[float]) -> None:
    budget = Budget.of(Contribution(str(i), u) for i, u in enumerate(parts))
    assert max(parts) * (1 - 1e-12) <= budget.u <= sum(parts) * (1 + 1e-12)


@pytest.mark.parametrize(("u", "dof"), [(-1.0, 5.0), (math.nan, 5.0), (1.0, 0.0)])
def test_impossible_contributions_are_refused(u: float, dof: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        Contribution("odd", u, dof)
