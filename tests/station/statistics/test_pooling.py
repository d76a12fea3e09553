import math

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from station.statistics.pooling import Baseline, baseline_of


@given(st.integers(2, 400), st.floats(-50.0, 50.0), st.floats(0.01, 10.0), st.floats(-300.0, 300.0))
def test_scores_against_scipys_distributions(
    n: int, center: float, sigma: float, value: float
) -> None:
    # scipy.stats: the prediction distribution of one more normal value is Student's t.
    t = (value - center) / (sigma * math.sqrt(1.0 + 1.0 / n))
    log_tail = scipy.stats.t.logsf(abs(t), n - 1)
    score = Baseline(n, center, sigma).score(value)
    if log_tail > -650.0:
        assert scipy.stats.norm.logsf(abs(score)) == pytest.approx(log_tail, rel=1e-6, abs=1e-9)
    assert score * t >= 0.0


def test_scores_stay_finite_far_out() -> None:
    assert 30.0 < Baseline(1000, 0.0, 1e-3).score(1e6) < 40.0


def test_a_large_baseline_gives_the_plain_standard_score() -> None:
    known = Baseline(10_000_000, 5.0, 2.0)
    assert known.score(8.0) == pytest.approx(1.5, abs=1e-5)
    assert known.distance(8.0) == 1.5


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ([1.0] * 9, "at least 10"),
        ([1.0] * 20, "equal"),
        ([1.0] * 19 + [math.nan], "finite"),
        ([*range(12), math.inf], "finite"),
    ],
)
def test_what_is_no_baseline(values: list[float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        baseline_of(values)


def test_a_baseline_is_mean_and_sample_deviation() -> None:
    values = [1.0, 2.0, 4.0, 8.0, 16.0, 3.0, 5.0, 7.0, 9.0, 11.0]
    found = baseline_of(values)
    assert found.n == 10
    assert found.center == pytest.approx(6.6)
    assert found.sigma == pytest.approx(scipy.stats.tstd(values))
