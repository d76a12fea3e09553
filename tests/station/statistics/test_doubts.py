import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.diagnostic import normal_ad

from station.statistics.doubts import (
    anderson_darling,
    grubbs,
    outlier_doubt,
    resolution_doubt,
    shape_doubt,
)


def test_anderson_darling_against_statsmodels() -> None:
    rng = np.random.default_rng(1)
    for draw in (rng.standard_normal, rng.standard_exponential):
        for n in (10, 30, 200):
            values = draw(n)
            statistic, p = anderson_darling(values)
            expected, expected_p = normal_ad(values)
            assert statistic == pytest.approx(expected, rel=1e-9)
            assert p == pytest.approx(expected_p, rel=1e-6, abs=1e-12)


def test_grubbs_finds_the_outlier_at_its_level() -> None:
    # Grubbs' critical value for n = 10 at two-sided 5 % is 2.290 in handbook tables [memory]; the
    # formula agrees [calc].
    t = stats.t.ppf(1 - 0.05 / 20, 8)
    critical = 9 / math.sqrt(10) * math.sqrt(t**2 / (8 + t**2))
    assert critical == pytest.approx(2.290, abs=5e-4)
    index, p = grubbs([1.0, 1.1, 0.9, 1.05, 0.95, 1.0, 1.02, 0.98, 3.0])
    assert index == 8
    assert p < 1e-4


def test_normal_values_raise_no_doubt() -> None:
    values = np.random.default_rng(1).normal(100.0, 5.0, 40)
    assert shape_doubt(values) is None
    assert outlier_doubt(values) is None
    assert resolution_doubt(values) is None


def test_doubts_name_whose_values_they_are_about() -> None:
    skewed = np.random.default_rng(2).standard_exponential(100)
    assert "values of tool 3 do not look normal" in str(shape_doubt(skewed, " of tool 3"))
    assert "Value 60 at index 4 of a lies far" in str(outlier_doubt([9, 10, 11, 10.5, 60], " of a"))


@pytest.mark.parametrize(("step", "doubted"), [(1.0, True), (0.7, True), (0.1, False)])
def test_a_coarse_gauge_is_seen(step: float, doubted: bool) -> None:
    values = np.round(np.random.default_rng(3).standard_normal(200) / step) * step
    assert (resolution_doubt(values) is not None) == doubted


def test_few_values_say_nothing_of_resolution() -> None:
    for few in ([], [1.0], [1.0, 2.0]):
        assert resolution_doubt(few) is None


def test_equal_values_are_doubted() -> None:
    assert "are equal" in str(resolution_doubt([3.0] * 9, sd=1.0))


def test_rounding_adds_a_twelfth_of_a_squared_step() -> None:
    # Sheppard's correction [memory], here by simulation: what the doubt's thresholds rest on.
    values = np.random.default_rng(4).standard_normal(200_000)
    for step in (0.5, 1.0):
        swollen = np.round(values / step) * step
        assert swollen.var() == pytest.approx(values.var() + step**2 / 12, rel=0.005)
