import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.pull.events import (
    MAX_TURNS,
    falls,
    longest_stretch_s,
    noise_sd,
    scatter_about_parabola,
    scatter_of,
    steepest_climb,
)


def test_noise_is_told_from_a_climb() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(20_000) / 1000.0
    force = 30.0 * time_s + rng.normal(0.0, 0.2, time_s.size)
    # Standard error of a standard deviation from n values is s/sqrt(2n) = 0.5 % [calc].
    assert noise_sd(time_s, force) == pytest.approx(0.2, rel=0.03)


def test_uneven_times_are_no_noise() -> None:
    time_s = np.sort(np.random.default_rng(2).uniform(0.0, 10.0, 500))
    assert noise_sd(time_s, 7.0 * time_s) == pytest.approx(0.0, abs=1e-9)


def test_a_few_teeth_are_no_noise() -> None:
    time_s = np.arange(2000) / 100.0
    force = np.where(time_s % 1.0 < 0.01, 5.0, 0.0) + np.random.default_rng(3).normal(0, 0.1, 2000)
    assert noise_sd(time_s, force) == pytest.approx(0.1, rel=0.1)


def test_too_few_samples_show_no_noise() -> None:
    assert noise_sd(np.arange(5.0), np.array([0.0, 3.0, 1.0, 4.0, 2.0])) == 0.0


def test_white_noise_averages_out_and_filtered_noise_less() -> None:
    rng = np.random.default_rng(7)
    time_s = np.arange(8000) / 1000.0
    white = rng.normal(0.0, 1.0, time_s.size)
    filtered = np.convolve(white, np.full(4, 0.5), mode="same")
    for noise, of_sixteen in ((white, 0.25), (filtered, 0.49)):
        scatter = scatter_of(time_s, 10.0 * time_s + noise, slice(0, time_s.size))
        assert scatter.step_n == 0.0
        # A mean of 16 scatters by 1/4 [calc]; what was averaged over 4 before, by nearly 1/2.
        # The largest of what several scales show may be a little high, and is never low.
        assert of_sixteen < scatter.of_mean(16) < 1.25 * of_sixteen


def test_a_trace_too_short_to_show_noise_gets_a_guess() -> None:
    force = np.array([0.0, 30.0, 60.0, 100.0])
    assert scatter_of(np.arange(4.0), force, slice(0, 4)).of_mean(1) == pytest.approx(1.0)


@pytest.mark.parametrize("step_n", [0.1, 1.0, 0.4448])
def test_the_last_digit_is_found(step_n: float) -> None:
    rng = np.random.default_rng(9)
    time_s = np.arange(300) / 100.0
    force = np.round((30.0 * time_s + rng.normal(0.0, 0.2, 300)) / step_n) * step_n
    assert scatter_of(time_s, force, slice(0, 300)).step_n == pytest.approx(step_n)
    assert scatter_of(time_s, force, slice(0, 300), 2.0).step_n == 2.0


def test_the_steepest_part_is_found_in_noise() -> None:
    time_s = np.arange(3000) / 1000.0
    force = np.interp(time_s, [0.0, 1.0, 2.0, 3.0], [0.0, 20.0, 100.0, 110.0])
    force += np.random.default_rng(4).normal(0.0, 0.3, time_s.size)
    # 80 N/s between 1 and 2 s [calc].
    assert steepest_climb(time_s, force, 0.3) == pytest.approx(80.0, rel=0.15)


def test_one_sample_has_no_climb() -> None:
    assert steepest_climb(np.array([0.0]), np.array([1.0]), 0.0) is None


def test_a_fall_needs_a_new_rise() -> None:
    force = np.array([0.0, 10.0, 4.0, 9.0, 12.0, 0.0])
    (fall,) = falls(force, 3.0)
    assert (fall.high, fall.low, fall.next_high) == (1, 2, 4)


def test_two_falls_in_a_row() -> None:
    force = np.array([0.0, 10.0, 4.0, 9.0, 5.0, 8.0, 0.0])
    assert [(fall.high, fall.low, fall.next_high) for fall in falls(force, 3.0)] == [
        (1, 2, 3),
        (3, 4, 5),
    ]


@given(st.lists(st.integers(0, 20), min_size=2, max_size=60))
def test_repeating_samples_adds_no_falls(values: list[int]) -> None:
    force = np.array(values, dtype=np.float64)
    assert len(falls(np.repeat(force, 3), 4.0)) == len(falls(force, 4.0))


@given(st.lists(st.integers(0, 20), min_size=2, max_size=60))
def test_every_fall_falls_and_rises_as_far_as_asked(values: list[int]) -> None:
    force = np.array(values, dtype=np.float64)
    for fall in falls(force, 4.0):
        assert fall.high < fall.low < fall.next_high
        assert force[fall.high] - force[fall.low] > 4.0
        assert force[fall.next_high] - force[fall.low] > 2.0


def test_a_long_noisy_trace_keeps_its_deep_falls() -> None:
    rng = np.random.default_rng(5)
    force = np.interp(np.arange(200_000), [0, 80_000, 80_001, 199_999], [0.0, 80.0, 40.0, 100.0])
    force += rng.normal(0.0, 0.2, force.size)
    assert np.count_nonzero(np.diff(np.sign(np.diff(force)))) > MAX_TURNS
    (fall,) = falls(force, 5.0)
    # At 0.001 N a sample, noise of 0.2 N puts the highest one some hundred samples early.
    assert fall.high == pytest.approx(80_000, abs=600)
    assert force[fall.high] - force[fall.low] == pytest.approx(40.0, abs=2.0)


def test_the_longest_stretch() -> None:
    time_s = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 9.0])
    held = np.array([True, True, False, True, True, True])
    assert longest_stretch_s(time_s, held) == 5.0
    assert longest_stretch_s(time_s, ~held | held) == 9.0
    assert longest_stretch_s(time_s, np.zeros(6, dtype=np.bool_)) == 0.0


def test_noise_that_was_smoothed_shows_at_rest_before_the_pull() -> None:
    rng = np.random.default_rng(8)
    # Smoothed over 20 samples: a sample scatters by 1, about its neighbours by far less.
    noise = np.convolve(rng.normal(0.0, 1.0, 1300), np.exp(-np.arange(301) / 20.0), mode="valid")
    noise /= np.sqrt(10.5)
    time_s = np.arange(1000) / 100.0
    force = np.maximum(0.0, 40.0 * (time_s - 4.0)) + noise
    assert noise_sd(time_s, force) < 0.3
    rise = slice(420, 1000)
    assert scatter_of(time_s, force, rise).of_mean(1) < 0.9
    assert 0.9 < scatter_of(time_s, force, rise, begins=405).of_mean(1) < 1.8


def test_a_bend_is_no_scatter_and_few_samples_show_none() -> None:
    at = np.arange(200.0)
    blocks = scatter_about_parabola(3.0 + 0.5 * at - 0.002 * at**2)
    assert [block for block, _ in blocks] == [1, 2, 4, 8, 16]
    assert max(sd for _, sd in blocks) < 1e-9
    assert scatter_about_parabola(at[:7]) == ()


def test_white_noise_at_rest_averages_out() -> None:
    white = np.random.default_rng(10).normal(0.0, 2.0, 4000)
    of = dict(scatter_about_parabola(white))
    assert of[1] == pytest.approx(2.0, rel=0.1)
    assert of[64] == pytest.approx(2.0 / 8.0, rel=0.35)
