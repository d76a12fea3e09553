import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.pull.events import Scatter
from station.crimp.pull.peak import (
    FINEST_SHARE,
    GUARD,
    PeakFound,
    climb_at_top,
    find_top,
    lag_s,
    loading_rate,
    peak_loss,
    with_register,
)


def test_lag_of_a_filter() -> None:
    # 1/(2 pi f) for one pole; an average over T lags T/2, as does f = 1/(pi T) [calc].
    assert lag_s(None) == 0.0
    assert lag_s(10.0) == pytest.approx(0.015915, rel=1e-4)
    assert lag_s(1.0 / (math.pi * 0.1)) == pytest.approx(0.05)


@given(st.floats(0.1, 1e4), st.integers(2, 200), st.floats(1.0, 2000.0))
def test_a_straight_climb_is_its_slope(rate: float, samples: int, rate_hz: float) -> None:
    time_s = np.arange(samples) / rate_hz
    climb = climb_at_top(time_s, rate * time_s, 0.0, 1.0 / rate_hz, 0.0)
    assert climb == pytest.approx(rate)
    assert climb_at_top(time_s, -rate * time_s, 0.0, 1.0 / rate_hz, 0.0) == pytest.approx(rate)
    assert loading_rate(time_s, rate * time_s) == pytest.approx(rate)


def test_a_climb_that_stiffens_to_the_end_is_not_taken_too_low() -> None:
    time_s = np.arange(100) / 100.0
    # d/dt of 50 t^2 at the end is 99 N/s; its last two samples tell half a step less [calc].
    assert climb_at_top(time_s, 50.0 * time_s**2, 0.0, 0.01, 0.0) >= 98.4


def test_noise_makes_the_window_longer_and_the_climb_no_lower() -> None:
    rng = np.random.default_rng(6)
    time_s = np.arange(1000) / 1000.0
    found = [
        climb_at_top(time_s, 100.0 * time_s + rng.normal(0.0, 0.5, 1000), 0.5, 0.05, 0.25)
        for _ in range(200)
    ]
    assert np.median(found) == pytest.approx(100.0, rel=0.3)
    assert np.mean(np.array(found) > 95.0) > 0.9


def test_one_sample_does_not_climb() -> None:
    assert climb_at_top(np.array([0.0]), np.array([5.0]), 0.0, 0.1, 0.0) == 0.0
    assert loading_rate(np.array([0.0]), np.array([5.0])) is None


def white(noise_n: float, step_n: float = 0.0) -> Scatter:
    return Scatter(((1, noise_n),), noise_n, step_n)


def test_without_noise_the_peak_is_the_highest_sample() -> None:
    top = find_top(np.array([0.0, 40.0, 90.0, 100.0, 0.0]), white(0.0))
    assert (top.peak_n, top.first, top.size) == (100.0, 3, 1)
    assert top.u_n == pytest.approx(FINEST_SHARE * 100.0)


def test_half_a_digit_is_no_pass() -> None:
    top = find_top(np.full(500, 89.0), white(0.0, step_n=1.0))
    # A reading of 89 N to whole newtons may be 88.5 N [calc].
    assert top.peak_n - GUARD * top.u_n == pytest.approx(88.5, abs=0.01)


def test_a_long_hold_is_known_better_than_a_sample() -> None:
    force = 100.0 + np.random.default_rng(8).normal(0.0, 1.0, 10_000)
    top = find_top(force, white(1.0))
    assert top.size > 1000
    assert top.u_n < 0.05
    assert force.max() > 103.0
    assert abs(top.peak_n - 100.0) < 4.0 * top.u_n


@given(st.lists(st.floats(0.0, 500.0), min_size=1, max_size=80), st.floats(0.0, 5.0))
def test_no_peak_lies_above_every_sample(forces: list[float], noise_n: float) -> None:
    force = np.array(forces)
    top = find_top(force, white(noise_n))
    assert top.peak_n <= force.max() * (1.0 + 1e-12)
    assert 0 <= top.first <= top.middle < top.first + top.size <= force.size


def test_gap_and_lag_add_up() -> None:
    time_s = np.arange(12) / 10.0
    force = np.where(time_s <= 1.0, 50.0 * time_s, 0.0)
    top = find_top(force, white(0.0))
    # 50 N/s over 0.1 s, and over a lag of 0.02 s [calc].
    low_n = peak_loss(time_s, force, top, white(0.0), 0.0, 0.02)
    assert low_n == pytest.approx(5.0 + 1.0, abs=0.01)


def test_a_saw_at_the_top_takes_the_climb_given() -> None:
    time_s = np.arange(5.0)
    force = np.array([0.0, 90.0, 80.0, 100.0, 0.0])
    top = find_top(force, white(0.0))
    assert peak_loss(time_s, force, top, white(0.0), 0.0, 0.0) < 90.0
    found = peak_loss(time_s, force, top, white(0.0), 90.0, 0.0)
    assert found == pytest.approx(90.0, abs=0.01)


@given(
    peak=st.floats(10.0, 1000.0),
    low=st.floats(0.0, 50.0),
    above=st.floats(-100.0, 100.0),
    tolerance=st.floats(0.0, 1.0),
)
def test_a_register_only_narrows_what_the_trace_leaves_open(
    peak: float, low: float, above: float, tolerance: float
) -> None:
    found = with_register(peak, low, peak + above, tolerance)
    assert found.peak_n >= peak
    assert 0.0 <= found.may_be_low_by_n <= low
    top = found.peak_n + found.may_be_low_by_n
    assert top <= peak + low + tolerance * (1 + 1e-9) + 1e-9
    # The largest of many noisy values is believed only by what noise cannot have added.
    assert found.peak_n <= max(peak, peak + above - tolerance) + 1e-9
    if -tolerance < above - 1e-9 and above + 1e-9 < low + tolerance:
        assert found.void_reason is None
        assert top == pytest.approx(peak + low)


def test_a_register_that_contradicts_the_trace_voids() -> None:
    found = with_register(100.0, 2.0, 140.0, 0.5)
    assert "140 N" in (found.void_reason or "")
    assert found.peak_n == 100.0
    assert with_register(100.0, 2.0, 90.0, 0.5).void_reason is not None


def test_without_a_register_the_trace_speaks() -> None:
    assert with_register(100.0, 2.0, None, 0.5) == PeakFound(100.0, 2.0, False)
