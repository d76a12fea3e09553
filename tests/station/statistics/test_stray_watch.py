"""Stray weak crimps among good ones."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.statistics.stray_watch import likelihoods, scores, stray_sum, watch_strays

ONE_JOINT = np.zeros(200, dtype=np.intp)


def nest(seed: int = 3, every: int | None = None, depth: float = 5.0) -> np.ndarray:
    """Two hundred samples, every so many from the hundredth on weak in force."""
    worse = np.random.default_rng(seed).standard_normal((200, 2))
    if every is not None:
        worse[100::every, 0] = depth
    return worse


def test_one_stray_in_ten_is_named_with_its_samples() -> None:
    found = watch_strays(nest(every=10), ONE_JOINT, [30])
    assert found is not None
    assert 100 < found.signal_position < 200
    assert found.began == 100
    assert {100, 110, 120, 190} <= set(found.strays)
    assert len(found.strays) <= 12


def test_one_odd_crimp_is_no_share_of_strays() -> None:
    worse = nest()
    assert watch_strays(worse, ONE_JOINT, [30]) is None
    worse[120] = 40.0
    assert watch_strays(worse, ONE_JOINT, [30]) is None


def test_crimps_far_out_on_the_good_side_are_no_strays() -> None:
    assert watch_strays(nest(every=10, depth=-5.0), ONE_JOINT, [30]) is None


def test_no_values_and_no_baseline_say_nothing() -> None:
    assert watch_strays(np.full((200, 2), np.nan), ONE_JOINT, [30]) is None
    assert watch_strays(np.empty((0, 2)), ONE_JOINT[:0], []) is None


def test_a_nest_of_pulls_alone_is_watched() -> None:
    worse = nest(every=8)
    worse[:, 1] = np.nan
    found = watch_strays(worse, ONE_JOINT, [30])
    assert found is not None
    assert found.signal_position < 200


def test_scores_are_the_quantiles_of_students_t_against_all_before() -> None:
    worse = np.random.default_rng(5).standard_normal((4, 2)) * 0.5
    made = scores(worse, ONE_JOINT[:4], [20])
    # Against scipy.stats: a baseline with mean 0 and deviation 1, then the samples before.
    number = 20 + 3
    mean = worse[:3, 0].sum() / number
    variance = (19 + (worse[:3, 0] ** 2).sum() - number * mean**2) / (number - 1)
    t = (worse[3, 0] - mean) / np.sqrt(variance * (1 + 1 / number))
    assert made[3, 0] == pytest.approx(stats.norm.ppf(stats.t.cdf(t, number - 1)))


@given(st.integers(0, 2**32 - 1))
def test_joints_with_units_of_their_own_are_scored_apart(seed: int) -> None:
    rng = np.random.default_rng(seed)
    worse, joints = rng.standard_normal((60, 2)), rng.integers(2, size=60)
    apart = np.full((60, 2), np.nan)
    for joint, size in enumerate((20, 50)):
        own = joints == joint
        apart[own] = scores(worse[own], ONE_JOINT[: own.sum()], [size])
    assert scores(worse, joints, [20, 50]) == pytest.approx(apart)


def test_the_sum_is_that_of_the_products_since_every_moment() -> None:
    likely = likelihoods(np.random.default_rng(8).standard_normal((6, 2)))
    directions = []
    for direction in range(3):
        means = []
        for p in (0.05, 0.1, 0.2):
            total = 0.0
            for one in likely[:, direction]:
                total = (1.0 + total) * (1.0 - p + p * one)
            means.append(total)
        directions.append(np.mean(means))
    expected = np.dot((0.36, 0.36, 0.28), directions)
    assert stray_sum(likely)[-1] == pytest.approx(expected)


def test_a_ratio_of_good_crimps_is_at_most_one_on_average() -> None:
    # Of the normal density, by quadrature: so the sum grows by at most one a sample.
    z = np.linspace(-12.0, 12.0, 20_001)
    likely = likelihoods(np.stack([z, np.full_like(z, np.nan)], axis=1))[:, 0]
    assert np.trapezoid(likely * stats.norm.pdf(z), z) <= 1.0
