import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.jobs.validation.tolerance import finding
from station.ledger.entries import CriterionResult
from tests.station.jobs.invented_samples import (
    FORCE_LIMIT_N,
    RESISTANCE_LIMIT_OHM,
    criteria,
    normal_forces,
)


def forces(values: list[float], u_n: float = 0.0) -> list[CriterionResult]:
    return [criteria(value, u_n=u_n)[0] for value in values]


@pytest.mark.parametrize(
    ("n", "k"),
    [
        # Montgomery & Runger, Applied Statistics and Probability for Engineers, table XII: factors
        # for one side, 99 % with 95 % confidence, read in a transcription [seen-1].
        (10, 3.981),
        (15, 3.520),
        (20, 3.295),
        (30, 3.064),
        (50, 2.862),
    ],
)
def test_bound_uses_the_published_factor(n: int, k: float) -> None:
    values = normal_forces(n, 140.0, 8.0)
    found = finding(forces(values), planned=n, coverage=0.99, confidence=0.95, guard=1.645)
    # With room for other shapes: 1.18 for a lean, and as much for tails of Student 5.
    room = 1.18 * 3.3649 / math.sqrt(5 / 3) / 2.3263
    assert found.bound == pytest.approx(140.0 - k * room * 8.0, abs=0.01)
    assert found.met is (140.0 - k * room * 8.0 >= FORCE_LIMIT_N)
    assert found.worst == min(values)


def test_guard_moves_the_limit_by_the_largest_uncertainty() -> None:
    results = [criteria(120.0, u_n=0.5)[0], criteria(130.0, u_n=2.0)[0]]
    found = finding(results, planned=30, coverage=0.95, confidence=0.95, guard=1.645)
    assert found.demanded == pytest.approx(FORCE_LIMIT_N + 3.29)


def test_resistance_is_bounded_from_above_in_its_logarithm() -> None:
    ohms = [math.exp(value) for value in normal_forces(30, math.log(0.25e-3), 0.1)]
    results = [criteria(140.0, ohm)[1].model_copy(update={"u": 0.0}) for ohm in ohms]
    found = finding(results, planned=30, coverage=0.99, confidence=0.95, guard=1.645)
    # Factor 3.064 as above [seen-1].
    room = 1.18 * 3.3649 / math.sqrt(5 / 3) / 2.3263
    assert found.bound == pytest.approx(0.25e-3 * math.exp(0.3064 * room), rel=1e-4)
    assert found.worst == pytest.approx(max(ohms))
    assert found.middle == pytest.approx(0.25e-3)
    assert found.met
    assert found.limit == RESISTANCE_LIMIT_OHM


@given(st.lists(st.floats(90.0, 200.0), min_size=2, max_size=40))
def test_what_is_met_is_met_by_the_ppk_bound_of_normal_values_too(values: list[float]) -> None:
    found = finding(forces(values), planned=40, coverage=0.99, confidence=0.95, guard=0.0)
    if found.met and found.ppk_lower_bound is not None:
        # z of 99 % over three: the same statement, Kotz & Lovelace 1998 [memory]. By shape only:
        # no count of 40 shows 99 %.
        assert found.ppk_lower_bound >= 2.3263478740408408 / 3.0


def test_one_value_shows_nothing_and_none_is_refused() -> None:
    found = finding(forces([120.0]), planned=30, coverage=0.99, confidence=0.95, guard=1.645)
    assert (found.bound, found.met, found.chance) == (None, None, None)
    with pytest.raises(ValueError, match="no value"):
        finding([], planned=30, coverage=0.99, confidence=0.95, guard=1.645)


def test_equal_values_show_nothing() -> None:
    found = finding(forces([120.0] * 30), planned=30, coverage=0.99, confidence=0.95, guard=0.0)
    assert found.met is False
    assert found.chance is None
    assert "equal" in found.warnings[0]


def test_two_limits_are_refused() -> None:
    mixed = [criteria(120.0)[0], criteria(120.0)[0].model_copy(update={"limit": 60.0})]
    with pytest.raises(ValueError, match="two limits"):
        finding(mixed, planned=30, coverage=0.99, confidence=0.95, guard=0.0)


def test_uncertainty_as_large_as_a_limit_is_refused() -> None:
    results = [
        criteria(140.0, ohm)[1].model_copy(update={"u": 0.4e-3}) for ohm in (0.2e-3, 0.25e-3)
    ]
    with pytest.raises(ValueError, match="as large as their limit"):
        finding(results, planned=30, coverage=0.99, confidence=0.95, guard=1.645)
