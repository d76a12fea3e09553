import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.statistics.charts import cusum
from station.statistics.mixture import SCORE_CAP, Mixture, resting_mean
from station.statistics.wear_mixtures import ONE_WAY, PAIR, TWO_WAY
from tests.benchmarks.cusum_run_lengths import cusum_run_length
from tests.benchmarks.run_lengths import run_lengths, shifted, steady

MIXTURES = pytest.mark.parametrize(
    "mixture", [PAIR, ONE_WAY, TWO_WAY], ids=["pair", "one way", "two way"]
)


@MIXTURES
def test_members_are_unit_directions_and_weights_are_a_share(mixture: Mixture) -> None:
    assert np.linalg.norm(mixture.directions, axis=1) == pytest.approx(1.0)
    assert math.fsum(mixture.weights) == pytest.approx(1.0)
    assert min(mixture.weights) > 0.0


@MIXTURES
@pytest.mark.parametrize("run_length", [50.0, 930.0])
def test_the_threshold_gives_the_run_length_asked_for(mixture: Mixture, run_length: float) -> None:
    flat = steady(mixture.means.shape[1])
    found = run_lengths(mixture, mixture.threshold(run_length), flat, courses=1500, seed=4)
    # Run lengths are nearly exponential: the standard error is about 1/sqrt(1500) = 2.6 %.
    assert found.mean == pytest.approx(run_length, rel=0.09)


@MIXTURES
def test_thresholds_rise_and_the_table_covers_the_settings(mixture: Mixture) -> None:
    asked = np.geomspace(50.0, 1_000_000.0, 200)
    thresholds = [mixture.threshold(float(length)) for length in asked]
    assert np.all(np.diff(thresholds) > 0.0)


@MIXTURES
@pytest.mark.parametrize("run_length", [5.0, 1e8])
def test_run_lengths_outside_the_table_are_refused(mixture: Mixture, run_length: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        mixture.threshold(run_length)


def test_one_member_is_the_cumulative_sum_with_a_known_run_length() -> None:
    # A single member of shift d is d times the one-sided sum with k = d/2: run length 930.887 in
    # control and 10.376 after a shift of 1 at k 0.5 and h 5, computed independently [calc].
    single = Mixture("one", ((1.0,),), (1.0,), (1.0,))
    flat = run_lengths(single, 5.0, steady(1), courses=4000, seed=3, from_zero=True)
    moved = run_lengths(single, 5.0, shifted((1.0,), 1.0), courses=4000, seed=3, from_zero=True)
    assert flat.mean == pytest.approx(cusum_run_length(0.5, 5.0), abs=4.0 * flat.error)
    assert moved.mean == pytest.approx(10.376, abs=4.0 * moved.error)


@given(st.lists(st.floats(-3.9, 3.9), min_size=1, max_size=60))
def test_sums_at_once_equal_sums_one_by_one(scores: list[float]) -> None:
    single = Mixture("one", ((1.0,),), (0.8,), (1.0,))
    sums = single.sums(np.array(scores)[:, None], start=[0.0])[:, 0]
    step_by_step = cusum(scores, 0.4)
    assert sums == pytest.approx(0.8 * step_by_step, abs=1e-9)


@pytest.mark.parametrize("shift", [0.46, 1.16, 2.0])
def test_resting_mean_against_simulation(shift: float) -> None:
    rng = np.random.default_rng(8)
    single = Mixture("one", ((1.0,),), (shift,), (1.0,))
    course = single.sums(rng.standard_normal((4000, 200, 1)))[500:]
    assert course.mean() == pytest.approx(resting_mean(shift), rel=0.03)


def test_evidence_stays_finite_far_into_a_change() -> None:
    sums = PAIR.sums(np.full((2000, 2), 4.0))
    assert sums.max() > 5000.0
    assert PAIR.evidence(sums)[-1] == pytest.approx(sums[-1].max(), abs=10.0)


def test_too_small_a_shift_has_no_resting_mean() -> None:
    with pytest.raises(ValueError, match="at least"):
        resting_mean(0.01)


def test_a_missing_score_leaves_the_likelihood_of_the_other() -> None:
    # Log likelihood ratio of x under a mean of d/sqrt(2) against 0: x d/sqrt(2) - d^2/4.
    both = PAIR.steps([1.5, math.nan])
    shift = PAIR.shifts[4]
    assert both[4] == pytest.approx(1.5 * shift / math.sqrt(2.0) - shift**2 / 4.0)
    assert both[2] == 0.0
    assert PAIR.steps([math.nan, math.nan]) == pytest.approx(0.0)


@MIXTURES
def test_one_odd_sample_alone_stays_below_the_usual_thresholds(mixture: Mixture) -> None:
    odd = np.zeros((3, mixture.means.shape[1]))
    odd[1] = 40.0
    evidence = mixture.evidence(mixture.sums(odd))
    assert evidence.max() < mixture.threshold(930.0)
    assert np.array_equal(mixture.steps(odd[1]), mixture.steps(np.clip(odd[1], None, SCORE_CAP)))
