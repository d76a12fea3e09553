import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.statistics.pair_counts import (
    interval_rank,
    mann_whitney_chances,
    median_difference,
    nth_difference,
    placements,
)

coarse = st.lists(st.integers(-20, 20).map(lambda k: k / 8), min_size=1, max_size=12)
fine = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=12)


@given(coarse | fine, coarse | fine, st.data())
def test_order_statistics_equal_a_plain_list(
    first: list[float], second: list[float], data: st.DataObject
) -> None:
    a, b = np.array(first), np.array(second)
    plain = np.sort((a[:, None] - b).ravel())
    rank = data.draw(st.integers(0, plain.size - 1))
    # Differences are told apart no finer than the last digit of their numbers.
    largest = float(np.abs(a).max() + np.abs(b).max())
    within = 4e-16 * float(np.ptp(plain)) + 2.0 * float(np.spacing(largest))
    assert nth_difference(a, b, rank) == pytest.approx(plain[rank], abs=within)
    assert median_difference(a, b) == pytest.approx(np.median(plain), abs=within)


def test_far_from_zero_a_rank_is_right_to_the_last_digit() -> None:
    a, b = np.array([0.0, 291039.0, 48576.54006937449]), np.array([-1e6, -999999.9999999999])
    plain = np.sort((a[:, None] - b).ravel())
    found = [nth_difference(a, b, rank) for rank in range(plain.size)]
    assert found == pytest.approx(plain, rel=3e-16)


@pytest.mark.parametrize(("n", "m"), [(1, 1), (3, 4), (10, 5), (8, 8)])
def test_chances_of_counts_against_scipy(n: int, m: int) -> None:
    # scipy.stats.mannwhitneyu, exact: both groups interleaved so that the count is known.
    below = np.cumsum(mann_whitney_chances(n, m))
    assert below[-1] == pytest.approx(1.0)
    rng = np.random.default_rng(n)
    for _ in range(10):
        both = rng.permutation(n + m).astype(float)
        u, p = stats.mannwhitneyu(both[:n], both[n:], alternative="less", method="exact")
        assert below[int(u)] == pytest.approx(p)


def test_rank_of_the_interval_of_a_published_table() -> None:
    # Lower 2.5 % critical values of U, n and m: 5, 5: 2; 8, 8: 13; 10, 5: 8; 20, 20: 127: tables in
    # handbooks [memory], and scipy's exact distribution [calc]. The interval starts at the
    # difference after so many, which is that rank counted from 0.
    for n, m, critical in ((5, 5, 2), (8, 8, 13), (10, 5, 8), (20, 20, 127)):
        assert interval_rank(n, m, 0.95) == critical


def test_rank_of_large_groups_joins_the_exact_one() -> None:
    exact, nearly = interval_rank(50, 50, 0.95), interval_rank(51, 51, 0.95)
    assert exact is not None
    assert nearly is not None
    # Scaled by the standard normal approximation both lie 1.96 deviations below the middle.
    for n, rank in ((50, exact), (51, nearly)):
        assert (n * n / 2 - rank - 0.5) / np.sqrt(n * n * (2 * n + 1) / 12) == pytest.approx(
            1.96, abs=0.01
        )


def test_too_few_for_any_interval() -> None:
    # 3 and 3: the most extreme of 20 orders has 5 % in one tail.
    assert interval_rank(3, 3, 0.95) is None
    assert interval_rank(3, 3, 0.85) == 0


def test_placements_count_ties_by_half() -> None:
    assert placements(np.array([1.0, 2.0, 5.0]), np.array([2.0, 3.0])).tolist() == [0, 0.25, 1]
