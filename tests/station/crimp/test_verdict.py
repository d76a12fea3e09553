import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.verdict import (
    DEFAULT_GUARD,
    Verdict,
    guard_factor,
    judge_at_least,
    judge_at_most,
    judge_within,
    worst,
)

RANK = {Verdict.FAIL: 0, Verdict.UNDECIDED: 1, Verdict.PASS: 2}
values = st.floats(0.0, 500.0)
spreads = st.floats(0.001, 50.0)


def test_probability_of_conforming_against_jcgm_106() -> None:
    # JCGM 106:2012: upper limit -5.40, value -5.47, u 0.05, printed 0.92 [memory]; 0.919243 by the
    # normal distribution [calc].
    judged = judge_at_most(-5.47, 0.05, -5.40)
    assert judged.probability_conforming == pytest.approx(0.919243, abs=1e-6)
    assert judged.verdict is Verdict.UNDECIDED


def test_default_guard_is_the_one_sided_factor_of_95_percent() -> None:
    # ISO 14253-1:2017, default 95 %, factor 1.65 [memory].
    assert pytest.approx(1.6449, abs=1e-3) == DEFAULT_GUARD


def test_at_the_acceptance_limit_one_in_twenty_is_accepted_wrongly() -> None:
    # Guard band of w = 0.8225 U: risk Phi(-1.645) = 5 % [calc].
    judged = judge_at_least(100.0 + 1.645, 1.0, 100.0)
    assert judged.verdict is Verdict.PASS
    assert judged.probability_conforming == pytest.approx(0.95, abs=2e-5)


def test_few_degrees_of_freedom_widen_the_band() -> None:
    # One-sided 95 % Student factor for 2 degrees of freedom: 2.920 in any table [memory].
    assert guard_factor(DEFAULT_GUARD, 2.0) == pytest.approx(2.920, abs=2e-3)


def test_a_missed_peak_saves_from_failing_but_never_passes() -> None:
    assert judge_at_least(98.0, 0.0, 100.0, may_be_low_by=3.0).verdict is Verdict.UNDECIDED
    assert judge_at_least(98.0, 0.0, 100.0, may_be_low_by=1.0).verdict is Verdict.FAIL


def test_probability_with_a_missed_peak_against_integration() -> None:
    # Mean of the normal cumulative over the loss, with G(z) = z Phi(z) + phi(z) [calc].
    def antiderivative(z: float) -> float:
        return z * 0.5 * math.erfc(-z / math.sqrt(2)) + math.exp(-z * z / 2) / math.sqrt(
            2 * math.pi
        )

    value, u, limit, loss = 97.0, 1.2, 100.0, 5.0
    low, high = (value - limit) / u, (value + loss - limit) / u
    expected = (antiderivative(high) - antiderivative(low)) * u / loss
    judged = judge_at_least(value, u, limit, may_be_low_by=loss)
    assert judged.probability_conforming == pytest.approx(expected, abs=1e-5)


def test_without_an_uncertainty_no_probability_is_claimed() -> None:
    judged = judge_at_least(101.0, None, 100.0)
    assert judged.verdict is Verdict.PASS
    assert judged.probability_conforming is None


@given(values, values, spreads, values)
def test_more_force_is_never_worse(a: float, b: float, u: float, limit: float) -> None:
    low, high = sorted((a, b))
    worse, better = judge_at_least(low, u, limit), judge_at_least(high, u, limit)
    assert RANK[better.verdict] >= RANK[worse.verdict]


@given(values, values, spreads, values)
def test_more_resistance_is_never_better(a: float, b: float, u: float, limit: float) -> None:
    low, high = sorted((a, b))
    assert RANK[judge_at_most(low, u, limit).verdict] >= RANK[judge_at_most(high, u, limit).verdict]


@given(values, spreads, spreads, values)
def test_a_wider_u_never_turns_fail_into_pass(
    value: float, a: float, b: float, limit: float
) -> None:
    narrow, wide = sorted((a, b))
    if judge_at_least(value, narrow, limit).verdict is Verdict.FAIL:
        assert judge_at_least(value, wide, limit).verdict is not Verdict.PASS


def test_worst_of_criteria() -> None:
    assert worst([Verdict.PASS, Verdict.UNDECIDED]) is Verdict.UNDECIDED
    assert worst([Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED]) is Verdict.FAIL
    assert worst([Verdict.FAIL, Verdict.VOID]) is Verdict.VOID
    assert worst([]) is Verdict.UNDECIDED


@pytest.mark.parametrize("guard", [-1.0, math.nan, math.inf])
def test_impossible_guards_are_refused(guard: float) -> None:
    with pytest.raises(ValueError, match="guard"):
        guard_factor(guard)


def test_within_a_tolerance_against_jcgm_106() -> None:
    # Phi(2.5) - Phi(-7.5) for 0.25 below the upper of limits 1 apart, u 0.1 [calc].
    judged = judge_within(10.25, 0.1, 10.0, 0.5)
    assert judged.probability_conforming == pytest.approx(0.993790, abs=1e-6)
    assert judged.verdict is Verdict.PASS
    assert judge_within(10.34, 0.1, 10.0, 0.5).verdict is Verdict.UNDECIDED
    assert judge_within(9.66, 0.1, 10.0, 0.5).verdict is Verdict.UNDECIDED
    assert judge_within(9.33, 0.1, 10.0, 0.5).verdict is Verdict.FAIL
    assert judge_within(10.5, None, 10.0, 0.5).probability_conforming is None


@given(st.floats(-5.0, 5.0), st.floats(0.01, 3.0), st.floats(0.1, 4.0), st.floats(1.0, 30.0))
def test_a_size_passes_and_fails_only_with_the_promised_probability(
    off: float, u: float, tolerance: float, dof: float
) -> None:
    for guard in (1.0, DEFAULT_GUARD):
        judged = judge_within(off, u, 0.0, tolerance, guard=guard, dof=dof)
        mirrored = judge_within(-off, u, 0.0, tolerance, guard=guard, dof=dof)
        assert judged.verdict is mirrored.verdict
        assert judged.probability_conforming is not None
        sure = 0.5 * math.erfc(-guard / math.sqrt(2.0))
        band = guard_factor(guard, dof) * u
        if judged.verdict is Verdict.PASS:
            assert judged.probability_conforming >= sure - 1e-6
            assert abs(off) <= tolerance - band + 1e-9
        if judged.verdict is Verdict.FAIL:
            assert judged.probability_conforming <= 1.0 - sure + 1e-6
            assert abs(off) > tolerance + band - 1e-9


def test_a_tolerance_that_the_uncertainty_fills_passes_nothing() -> None:
    # Inside the guard band of each side alone, yet wrong one time in ten [calc]: not a pass.
    judged = judge_within(0.0, 1.0, 0.0, DEFAULT_GUARD)
    assert judged.probability_conforming == pytest.approx(0.9, abs=1e-4)
    assert judged.verdict is Verdict.UNDECIDED
    assert judge_within(0.0, 1.0, 0.0, DEFAULT_GUARD, guard=0.0).verdict is Verdict.PASS
