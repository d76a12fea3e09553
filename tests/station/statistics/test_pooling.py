import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from station.statistics.pooling import (
    MIN_BASELINE,
    UPDATE_CAP,
    Baseline,
    baseline_of,
    pooled_scores,
)


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


@pytest.mark.parametrize("n", [10, 20, 50])
def test_scores_of_an_unchanged_process_are_independent_standard_normal(n: int) -> None:
    # Hawkins 1987 and Quesenberry 1991 [memory], recomputed here [calc]: exact for any n.
    rng = np.random.default_rng(n)
    rows = []
    for _ in range(1500):
        values = rng.normal(3.0, 0.2, n + 12).tolist()
        baseline = baseline_of(values[:n])
        rows.append(pooled_scores(values[n:], ["j"] * 12, {"j": baseline}))
    scores = np.array(rows, dtype=np.float64)
    assert scipy.stats.kstest(scores.ravel(), "norm").pvalue > 1e-3
    correlation = np.asarray(np.corrcoef(scores.T))
    # 66 pairs of 1500: none should reach 4.5 standard errors.
    assert np.abs(correlation[np.triu_indices(12, 1)]).max() < 4.5 / math.sqrt(1500)


@given(st.lists(st.floats(-3.0, 3.0), min_size=12, max_size=40))
def test_joining_one_by_one_is_the_baseline_of_all(values: list[float]) -> None:
    if np.ptp(values[:MIN_BASELINE]) < 1e-3:
        return
    running = baseline_of(values[:MIN_BASELINE])
    for done, value in enumerate(values[MIN_BASELINE:], start=MIN_BASELINE):
        if abs(running.distance(value)) > UPDATE_CAP:
            return
        running = running.joined(value)
        assert running.center == pytest.approx(float(np.mean(values[: done + 1])), abs=1e-9)
        assert running.sigma == pytest.approx(float(np.std(values[: done + 1], ddof=1)), rel=1e-9)


def test_one_odd_value_does_not_spoil_what_follows() -> None:
    baseline = Baseline(20, 1.6, 0.08)
    spoilt = baseline.joined(-50.0)
    assert spoilt.center == pytest.approx(1.6 - UPDATE_CAP * 0.08 / 21)
    assert spoilt.sigma < 1.4 * baseline.sigma


def test_joints_are_scored_by_their_own_baselines_and_kept_in_place() -> None:
    baselines = {"a": Baseline(1_000_000, 1.0, 0.1), "b": Baseline(1_000_000, 5.0, 1.0)}
    scores = pooled_scores([1.1, 4.0, None, 9.9, 0.9], ["a", "b", "a", "none", "a"], baselines)
    assert scores == pytest.approx([1.0, -1.0, None, None, -1.0], abs=1e-4)
    assert baselines["a"].n == 1_000_000


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
