import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from calibration.check_chart import check_chart, judge_check

STEADY = [10.0, 10.2] * 5


def test_stated_limits_stand_until_there_is_a_baseline() -> None:
    chart = check_chart(STEADY[:9], expected=10.0, limit=1.0)
    assert (chart.center, chart.lower, chart.upper) == (10.0, 9.0, 11.0)


def test_baseline_limits_by_hand() -> None:
    # Ten values, half 10.0 and half 10.2: s = 0.1 * sqrt(10 / 9). Prediction of one new value:
    # mean +- t s sqrt(1 + 1/10), with t for 9 degrees of freedom from scipy.stats.
    chart = check_chart(STEADY, expected=10.0, limit=2.0)
    t = float(scipy.stats.t.ppf(1 - 0.0027 / 2, 9))
    reach = t * 0.1 * math.sqrt(10 / 9) * math.sqrt(1.1)
    assert chart.center == pytest.approx(10.1)
    assert chart.upper == pytest.approx(10.1 + reach)
    assert chart.lower == pytest.approx(10.1 - reach)


@pytest.mark.parametrize("size", [10, 20])
def test_a_good_check_signals_as_rarely_as_promised(size: int) -> None:
    # One in 370: normal distribution beyond three deviations [calc], whatever the baseline.
    rng = np.random.default_rng(size)
    runs = 20_000
    signals = sum(
        check_chart(rng.normal(size=size).tolist(), expected=0.0, limit=10.0).signals(
            float(rng.normal())
        )
        for _ in range(runs)
    )
    assert signals / runs == pytest.approx(0.0027, abs=3 * math.sqrt(0.0027 / runs))


def test_the_baseline_is_frozen() -> None:
    begun = [*STEADY, *STEADY]
    later = [*begun, *(12.0 for _ in range(50))]
    assert check_chart(later, expected=10.0, limit=5.0) == check_chart(
        begun, expected=10.0, limit=5.0
    )


def test_a_value_beyond_the_stated_limit_fails_and_says_so() -> None:
    judged = judge_check(11.5, [], expected=10.0, limit=1.0)
    assert not judged.passed
    assert judged.reason == "11.5 is 1.5 from 10, and 1 is allowed"
    in_mohm = judge_check(1.02e-3, [], expected=1e-3, limit=1e-5, unit="mΩ", scale=1e-3)
    assert in_mohm.reason == "1.02 mΩ is 0.02 mΩ from 1 mΩ, and 0.01 mΩ is allowed"


def test_a_value_beyond_the_chart_fails_although_within_its_limit() -> None:
    judged = judge_check(11.0, STEADY, expected=10.0, limit=5.0)
    assert not judged.passed
    assert "outside of what this check was before" in (judged.reason or "")
    assert judge_check(10.4, STEADY, expected=10.0, limit=5.0).passed


def test_one_digit_beside_a_frozen_display_is_no_alarm() -> None:
    assert judge_check(10.01, [10.0] * 12, expected=10.0, limit=1.0).passed


def test_a_value_that_is_no_number_fails() -> None:
    assert not judge_check(math.nan, [], expected=10.0, limit=1.0).passed


def test_a_limit_must_be_positive() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        judge_check(1.0, [], expected=1.0, limit=0.0)


def test_a_slow_drift_is_found_long_before_the_stated_limit() -> None:
    # Invented meter: noise 1 microohm on 10 mohm, drift 1 microohm a check, 50 are allowed.
    noise = np.random.default_rng(3).normal(0.0, 1e-6, 60)
    values = [10e-3 + float(e) + max(0, n - 20) * 1e-6 for n, e in enumerate(noise)]
    good: list[float] = []
    for value in values:
        if not judge_check(value, good, expected=10e-3, limit=50e-6).passed:
            break
        good.append(value)
    assert 20 < len(good) < 30


@given(st.lists(st.floats(-1.0, 1.0), max_size=30), st.floats(-2.0, 2.0))
def test_the_chart_never_allows_more_than_the_stated_limit(good: list[float], value: float) -> None:
    judged = judge_check(value, good, expected=0.0, limit=1.0)
    assert judged.passed <= (abs(value) <= 1.0)
