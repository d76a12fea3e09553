import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.pull.reduce import FAILURE_MODES
from tests.benchmarks.drawn_pulls import STRANDINGS, draw_pull, one_pole


def test_a_step_through_one_pole_is_an_exponential() -> None:
    # Step response 1 - exp(-t/T) of a one-pole filter [calc].
    passed = one_pole(np.ones(200), 0.05)
    expected = 1.0 - np.exp(-0.05 * np.arange(1, 201))
    np.testing.assert_allclose(passed, expected, rtol=1e-9)


def test_a_ramp_through_one_pole_lags_by_its_time_constant() -> None:
    # Steady lag of a ramp is rate times T; here T is 50 steps and the rate 2 per step [calc].
    ramp = 2.0 * np.arange(2000.0)
    lag = (ramp - one_pole(ramp, 1.0 / 50.0))[-1]
    assert lag == pytest.approx(2.0 * 50.0, rel=0.02)


@given(st.integers(0, 10_000), st.sampled_from(sorted(FAILURE_MODES)))
def test_a_drawn_pull_is_a_trace(seed: int, mode: str) -> None:
    pull = draw_pull(np.random.default_rng(seed), mode)
    assert pull.mode == mode
    assert pull.time_s.shape == pull.force_n.shape
    assert np.all(np.diff(pull.time_s) > 0.0)
    assert np.all(np.isfinite(pull.force_n))
    # Noise and half a digit may stand on top of what the filter lets through.
    most_n = pull.peak_n + 7.0 * pull.chain.noise_n + pull.chain.resolution_n
    assert pull.force_n.max() <= most_n
    assert pull.peak_n < pull.chain.capacity_n


def test_parameters_span_what_they_should() -> None:
    pulls = [draw_pull(np.random.default_rng([3, number])) for number in range(400)]
    assert {pull.mode for pull in pulls} == set(FAILURE_MODES)
    assert {pull.size.label for pull in pulls} == {f"{gauge} AWG" for gauge in STRANDINGS}
    rates = np.array([pull.chain.sample_rate_hz for pull in pulls])
    assert rates.min() < 15.0
    assert rates.max() > 1500.0
    assert 5 < sum(pull.truncated for pull in pulls) < 50


def test_a_cut_off_recording_ends_with_force_on() -> None:
    for seed in range(40):
        pull = draw_pull(np.random.default_rng(seed), "broke_in_wire", truncated_share=1.0)
        assert pull.force_n[-1] > 0.2 * pull.peak_n


def test_an_average_is_named_by_the_corner_that_lags_as_much() -> None:
    # Half the length of an average equals 1/(2 pi f) at f = 1/(pi T) [calc].
    chains = [draw_pull(np.random.default_rng(seed)).chain for seed in range(40)]
    averaged = [chain for chain in chains if chain.average_s is not None]
    assert averaged
    for chain in averaged:
        assert chain.average_s is not None
        assert chain.filter_hz is not None
        assert chain.average_s / 2.0 == pytest.approx(1.0 / (2.0 * math.pi * chain.filter_hz))


def test_the_same_seed_draws_the_same_pull() -> None:
    first, again = (draw_pull(np.random.default_rng(11)) for _ in range(2))
    np.testing.assert_array_equal(first.force_n, again.force_n)
