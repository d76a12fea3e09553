"""Numbers far from zero keep their digits: StRD univariate data NumAcc1 to NumAcc4 of NIST.

Data and certified figures (mean, standard deviation; exact by construction) [memory]; the sums are
checked here in exact fractions of the stored numbers too [calc].
"""

import math
from fractions import Fraction

import numpy as np
import pytest

from station.statistics.capability import capability
from station.statistics.charts import individuals_chart
from station.statistics.comparison import compare
from station.statistics.pooling import baseline_of

NUM_ACC = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
    "NumAcc2": ([1.2, *[1.1, 1.3] * 500], 1.2, 0.1),
    "NumAcc3": ([1000000.2, *[1000000.1, 1000000.3] * 500], 1000000.2, 0.1),
    "NumAcc4": ([10000000.2, *[10000000.1, 10000000.3] * 500], 10000000.2, 0.1),
}


def exact_sd(values: list[float]) -> float:
    stored = [Fraction(value) for value in values]
    mean = sum(stored) / len(stored)
    return math.sqrt(sum((value - mean) ** 2 for value in stored) / (len(stored) - 1))


@pytest.mark.parametrize("name", NUM_ACC)
def test_mean_and_deviation_keep_their_digits(name: str) -> None:
    values, mean, sd = NUM_ACC[name]
    result = capability(values, mean - 1.0)
    assert result.mean == pytest.approx(mean, rel=1e-15)
    # The last set is stored to eight digits of its spread.
    assert result.sd == pytest.approx(sd, rel=1e-8 if name != "NumAcc4" else 1e-7)
    assert result.sd == pytest.approx(exact_sd(values), rel=1e-11)


def test_plain_sums_of_squares_would_lose_everything() -> None:
    # What the check above is for: the schoolbook formula on the same data.
    values = np.array(NUM_ACC["NumAcc4"][0])
    variance = (np.sum(values**2) - values.size * values.mean() ** 2) / (values.size - 1)
    assert abs(variance - 0.01) > 0.005


@pytest.mark.parametrize("name", ["NumAcc2", "NumAcc3", "NumAcc4"])
def test_charts_and_baselines_keep_their_digits(name: str) -> None:
    values, mean, sd = NUM_ACC[name]
    chart = individuals_chart(values)
    assert chart.center == pytest.approx(mean, rel=1e-15)
    # Moving ranges: 0.1 once, then 0.2; over d2 as printed, 1.128 (NIST/SEMATECH 6.3.2.2) [seen-2].
    assert chart.sigma == pytest.approx((0.1 + 999 * 0.2) / 1000 / 1.128, rel=1e-7)
    assert baseline_of(values).sigma == pytest.approx(sd, rel=1e-7)


def test_comparisons_keep_their_digits() -> None:
    # Group b lies 0.05 above group a, a million away from zero; both spread alike.
    a = NUM_ACC["NumAcc3"][0]
    result = compare(a, [value + 0.05 for value in a])
    assert result.difference.value == pytest.approx(-0.05, rel=1e-7)
    assert result.spread_ratio is not None
    assert result.spread_ratio.value == pytest.approx(1.0, rel=1e-8)
