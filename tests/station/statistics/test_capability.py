import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from station.statistics.capability import (
    capability,
    judged_bounds,
    ppk_lower_bound,
    reliability_bound,
    rests_on,
    samples_needed,
    shape_room,
    success_run,
    tolerance_factor,
)

TABLE = Path(__file__).parents[2] / "published" / "k_one_sided.csv"


def published_factors() -> list[tuple[int, float, float, float]]:
    with TABLE.open(newline="") as file:
        return [
            (int(row["n"]), int(key[1:3]) / 100, int(key[5:7]) / 100, float(value))
            for row in csv.DictReader(file)
            for key, value in row.items()
            if key != "n"
        ]


@pytest.mark.parametrize(("n", "coverage", "confidence", "k"), published_factors())
def test_one_sided_factors_of_the_published_table(
    n: int, coverage: float, confidence: float, k: float
) -> None:
    # Montgomery & Runger, Applied Statistics and Probability for Engineers, table XII, read in a
    # transcription [seen-1]: every row, to its last digit.
    assert tolerance_factor(n, coverage, confidence) == pytest.approx(k, abs=6e-4, rel=3e-4)


@pytest.mark.parametrize(("ppk", "bound"), [(1.33, 1.02156), (1.67, 1.29069)])
def test_ppk_bound(ppk: float, bound: float) -> None:
    # n = 30, 95 %: computed independently from the noncentral t [calc].
    assert ppk_lower_bound(ppk, 30, 0.95) == pytest.approx(bound, abs=1e-5)


@given(st.integers(3, 200), st.floats(0.2, 1.5))
def test_bound_and_factor_are_one_statement(n: int, c: float) -> None:
    # 3 Ppk = k(n, Phi(3c), confidence) if and only if the bound is c.
    k = tolerance_factor(n, float(stats.norm.cdf(3 * c)), 0.95)
    assert ppk_lower_bound(k / 3, n, 0.95) == pytest.approx(c, rel=1e-5)


def test_published_capability_example() -> None:
    # NIST/SEMATECH handbook, chapter 6, example: limits 8 and 20, mean 16, s 2 [seen-1]; its
    # lower index is (16 - 8) / (3 s) = 1.3333 [calc].
    values = stats.norm.ppf((np.arange(50) + 0.5) / 50)
    values = 16 + 2 * (values - values.mean()) / values.std(ddof=1)
    assert capability(values.tolist(), 8.0).ppk == pytest.approx(8 / 6)


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    [(0.95, 0.95, 59), (0.90, 0.90, 22), (0.90, 0.95, 29), (0.99, 0.95, 299)],
)
def test_success_run(reliability: float, confidence: float, n: int) -> None:
    # n is the least whole number of ln(1 - confidence) / ln(reliability) at least [calc]; quality
    # handbooks print 59, 22, 29 and 299 [memory].
    assert success_run(reliability, confidence) == n
    assert (
        reliability_bound(n, n, confidence)
        >= reliability
        > reliability_bound(n - 1, n - 1, confidence)
    )


@given(st.integers(1, 200), st.data())
def test_reliability_bound_against_statsmodels(n: int, data: st.DataObject) -> None:
    passed = data.draw(st.integers(0, n))
    low, _ = proportion_confint(passed, n, alpha=0.10, method="beta")
    assert reliability_bound(passed, n, 0.95) == pytest.approx(low, abs=1e-9)


def test_a_clear_pass_and_a_clear_fail() -> None:
    rng = np.random.default_rng(3)
    good = (150 + 5 * rng.standard_normal(30)).tolist()
    assert capability(good, 89.0).verdict == "pass"
    assert capability(good, 89.0).more_samples == 0
    assert capability(good, 149.0).verdict == "fail"
    assert capability(good, 149.0).more_samples is None


def test_between_the_bounds_more_samples_are_named() -> None:
    rng = np.random.default_rng(3)
    values = (100 + 5 * rng.standard_normal(8)).tolist()
    lower = float(np.mean(values) - 2.2 * np.std(values, ddof=1))
    result = capability(values, lower)
    assert result.verdict == "undecided"
    assert result.more_samples is not None
    assert result.more_samples > 0
    needed = 8 + result.more_samples
    margin = 2.2 / result.room
    assert tolerance_factor(needed, 0.95, 0.95) <= margin < tolerance_factor(needed - 1, 0.95, 0.95)


def test_values_that_lie_even_leave_room_for_other_shapes() -> None:
    # Student's t with 5 degrees of freedom: 3.3649 at 99 %, 2.0150 at 95 % in every table [memory],
    # of a deviation of sqrt(5/3); 0.18 is what LEAN asks of values without any skewness [calc].
    even = np.linspace(-1.0, 1.0, 31)
    assert shape_room(even, 0.95) == pytest.approx(1.18)
    room = 1.18 * 3.3649 / math.sqrt(5 / 3) / 2.3263
    assert shape_room(even, 0.99) == pytest.approx(room, rel=1e-4)
    found = capability((100.0 + even).tolist(), 90.0, coverage=0.99)
    assert (found.verdict, found.rests_on) == ("pass", "shape")
    assert found.judged_bound == pytest.approx(found.mean - found.k * room * found.sd, rel=1e-5)
    assert found.unseen_share == pytest.approx(1 - 0.05 ** (1 / 31))
    # 299 of 299 show 99 % with 95 % (success run [calc]).
    assert "cannot be shown by 31: up to 9.2% of all may be such, unseen; 268" in rests_on(found)
    # Far from the others, but not so far that its shape is not believed.
    values = [*(100.0 + np.linspace(-1.0, 1.0, 60)).tolist(), 98.2]
    shown = capability(values, 90.0)
    assert (shown.rests_on, shown.more_for_strays) == ("shape", 0)
    assert "rarer than 4.8% may have stayed unseen" in rests_on(shown)


def test_a_value_far_below_changes_the_verdict() -> None:
    values = normal_values(30)
    assert capability(values, 80.0).verdict == "pass"
    stray = [*values[:-1], 82.0]
    found = capability(stray, 80.0)
    # The plain normal bound would pass it.
    assert found.lower_tolerance_bound > 80.0
    assert (found.verdict, found.judged_bound, found.rests_on) == ("undecided", None, None)
    # 59 without one below show it by count (success run [calc]).
    assert found.more_samples == 29
    many = capability([*normal_values(58), 82.0], 80.0)
    assert (many.verdict, many.rests_on, many.judged_bound) == ("pass", "count", 82.0)
    assert "count of the 59" in rests_on(many)
    assert "no bound" in rests_on(found)


def normal_values(n: int) -> list[float]:
    return [100.0 + 2.0 * float(stats.norm.ppf((place + 0.5) / n)) for place in range(n)]


@pytest.mark.parametrize(("n", "rank"), [(59, 1), (93, 2), (124, 3)])
def test_ranks_of_the_published_table(n: int, rank: int) -> None:
    # Numbers of samples for 95 % with 95 % by the smallest, second and third value: 59, 93, 124, as
    # handbooks print them [memory]; binomial sums agree [calc].
    values = np.arange(float(n))
    assert judged_bounds(values, 0.95, 0.95)[1] == rank - 1
    fewer = judged_bounds(values[:-1], 0.95, 0.95)[1]
    assert fewer == (rank - 2 if rank > 1 else -np.inf)


# Never alike, and never on the limit, where rounding may carry a value over it.
OFF_ZERO = st.integers(-50_000, 50_000).map(lambda number: (number + 0.5) / 1000.0)


@given(st.lists(OFF_ZERO, min_size=3, max_size=80, unique=True), st.floats(0.1, 10.0))
def test_verdict_does_not_depend_on_unit_or_zero(values: list[float], unit: float) -> None:
    first = capability(values, 0.0)
    other = capability([7.0 + unit * value for value in values], 7.0)
    if first.judged_bound is None or abs(first.judged_bound) > 1e-6:
        assert first.verdict == other.verdict


def test_too_many_below_fail_whatever_their_shape() -> None:
    # Lognormal values: the normal bounds of both sides lie far below zero, their 5 % does not.
    values = np.exp(np.random.default_rng(4).standard_normal(40))
    at_5_percent = math.exp(-1.645)
    assert values.mean() - values.std(ddof=1) < at_5_percent
    assert capability(values.tolist(), at_5_percent).verdict == "undecided"
    assert capability(values.tolist(), 1.0).verdict == "fail"


def test_coverage_of_the_tolerance_bound_by_simulation() -> None:
    rng = np.random.default_rng(9)
    data = rng.standard_normal((4000, 10))
    bounds = data.mean(axis=1) - tolerance_factor(10, 0.95, 0.95) * data.std(axis=1, ddof=1)
    held = float(np.mean(stats.norm.sf(bounds) >= 0.95))
    assert held == pytest.approx(0.95, abs=0.011)


def test_large_offsets_keep_their_digits() -> None:
    # In the manner of StRD NumAcc: a million away, the spread stays.
    values = [0.1, -0.1] * 500 + [0.0]
    near = capability(values, -1.0)
    far = capability([1e6 + value for value in values], 1e6 - 1.0)
    assert far.sd == pytest.approx(near.sd, rel=1e-8)
    assert far.ppk == pytest.approx(near.ppk, rel=1e-8)


def test_warnings_do_not_drop_data() -> None:
    values = [100.0, 101.0, 99.0, 100.5, 99.5, 100.2, 99.8, 100.1, 60.0]
    result = capability(values, 50.0)
    assert result.n == 9
    assert any("index 8" in warning for warning in result.warnings)
    rng = np.random.default_rng(2)
    skewed = rng.standard_exponential(100).tolist()
    assert any("normal" in warning for warning in capability(skewed, -1.0).warnings)


@given(st.floats(-1e6, 1e6), st.integers(2, 40))
@example(0.1, 3)
def test_equal_values_show_nothing(value: float, n: int) -> None:
    # Three times 0.1 has a mean above 0.1: rounding must not pass for spread.
    result = capability([value] * n, value - 1.0)
    assert result.verdict == "undecided"
    assert (result.mean, result.sd, result.ppk) == (value, 0.0, None)
    assert result.warnings


@pytest.mark.parametrize(
    ("values", "lower", "says"),
    [([], 1.0, "at least 2"), ([1.0], 1.0, "at least 2"), ([1.0, math.nan], 1.0, "finite"),
     ([1.0, 2.0], math.inf, "finite")],
)  # fmt: skip
def test_degenerate_input_is_refused(values: list[float], lower: float, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        capability(values, lower)


def test_samples_needed_is_none_where_nothing_would_do() -> None:
    assert samples_needed(10, 1.6, 0.95, 0.95) is None
    assert samples_needed(10, 5.0, 0.95, 0.95) == 0


@pytest.mark.parametrize("n", [2, 5, 30, 200])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_values_almost_alike_have_a_bound_soon(n: int, sign: float) -> None:
    # Two forces that differ in their last bit: a search for the noncentrality would not end.
    largest = ppk_lower_bound(sign * 2e13, n, 0.95)
    assert math.copysign(1.0, largest) == sign
    assert largest < sign * 2e13
    # It goes on from the search without a step, to within what the search itself leaves.
    below, above = (ppk_lower_bound(sign * ppk, n, 0.95) for ppk in (299.999, 300.001))
    assert above == pytest.approx(below, rel=5e-4)


def test_two_values_almost_alike_are_judged() -> None:
    found = capability([90.00000000000001, 90.0], lower=89.0, coverage=0.99, confidence=0.95)
    assert found.ppk_lower_bound is not None
    assert found.ppk_lower_bound > 0.0
