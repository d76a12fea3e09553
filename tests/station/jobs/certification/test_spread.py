import numpy as np
import pytest
from scipy import stats

from station.jobs.certification.spread import OwnSpread, spread_ratio


def test_bound_agrees_with_the_reference_library() -> None:
    rng = np.random.default_rng(7)
    values = rng.normal(1.6, 0.12, 10)
    found = spread_ratio([OwnSpread(values.tolist(), 0.08, 30)], 0.95)
    assert found is not None
    variance_ratio = values.var(ddof=1) / 0.08**2
    # Interval of a ratio of variances by F, as scipy.stats.f has it [calc].
    assert found.ratio == pytest.approx(variance_ratio**0.5)
    assert found.lower_bound == pytest.approx((variance_ratio / stats.f.ppf(0.95, 9, 29)) ** 0.5)


def test_a_hand_as_steady_as_the_shop_is_wrongly_called_wide_as_often_as_promised() -> None:
    rng = np.random.default_rng(11)
    wide = 0
    for _ in range(4_000):
        baseline = rng.normal(0.0, 1.0, 30).std(ddof=1)
        own = rng.normal(0.0, 1.0, 10).tolist()
        found = spread_ratio([OwnSpread(own, float(baseline), 30)], 0.95)
        assert found is not None
        wide += found.lower_bound > 1.0
    # 5 % promised; four standard errors of the count are 1.4 points.
    assert wide / 4_000 == pytest.approx(0.05, abs=0.014)


def test_pooling_adds_degrees_of_freedom() -> None:
    one = OwnSpread([1.0, 2.0, 3.0], 1.0, 30)
    found = spread_ratio([one, one, OwnSpread([1.0], 1.0, 30)], 0.95)
    assert found is not None
    assert (found.ratio, found.dof) == (1.0, 4)


def test_nothing_to_compare_is_none() -> None:
    assert spread_ratio([], 0.95) is None
    assert spread_ratio([OwnSpread([1.0], 1.0, 30), OwnSpread([1.0, 2.0], 0.0, 30)], 0.95) is None
