from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput
from station.instruments.force_lines import ForceSample
from station.instruments.recording import (
    OVERLOAD_FRACTION,
    PRE_TRIGGER_S,
    PullLimits,
    PullWatch,
    clock_steps,
    fitted_times,
    time_axis,
)

RATE_HZ = 100.0
CAPACITY_N = 1000.0
LIMITS = PullLimits(preload_n=2.0, end_fraction=0.5, end_time_s=0.1, max_time_s=60.0)


def watched(
    forces: Sequence[float | None], limits: PullLimits = LIMITS
) -> tuple[PullWatch, str | None, int]:
    """Feed forces until the watch ends; return it, why, and how many it took."""
    watch = PullWatch(limits, RATE_HZ, CAPACITY_N)
    for index, force_n in enumerate(forces):
        ended_by = watch.add(ForceSample(index, 0.0, force_n), index / RATE_HZ)
        if ended_by is not None:
            return watch, ended_by, index + 1
    return watch, None, len(forces)


def test_a_pull_keeps_what_came_before_it_and_ends_when_the_force_has_fallen() -> None:
    idle, ramp = [0.0] * 500, [float(force) for force in range(101)]
    watch, ended_by, taken = watched(idle + ramp + [0.0] * 50)
    assert ended_by == "force fell"
    assert watch.peak_n == 100.0
    assert watch.begin_index == 500 + 3
    before = sum(sample.index < 503 for sample in watch.samples)
    assert before >= PRE_TRIGGER_S * RATE_HZ
    # 0.1 s at 100/s after the first low sample.
    assert taken == 601 + 1 + 10
    assert watch.samples[-1].index == taken - 1


def test_a_dip_that_recovers_does_not_end_the_pull() -> None:
    watch, ended_by, _ = watched([50.0] * 20 + [10.0] * 9 + [60.0] * 20)
    assert ended_by is None
    assert watch.peak_n == 60.0


def test_one_noisy_sample_is_no_pull() -> None:
    watch, ended_by, _ = watched([0.0, 5.0, 0.0] * 30)
    assert ended_by is None
    assert watch.begin_index is None


@pytest.mark.parametrize(("force_n", "words"), [(0.0, "no specimen"), (50.0, "time ran out")])
def test_time_runs_out(force_n: float, words: str) -> None:
    limits = PullLimits(2.0, 0.5, 0.1, max_time_s=1.0)
    _, ended_by, taken = watched([force_n] * 500, limits)
    assert (ended_by, taken) == (words, 101)


@pytest.mark.parametrize("force_n", [901.0, -901.0, None])
def test_an_overload_ends_it(force_n: float | None) -> None:
    watch, ended_by, _ = watched([0.0, force_n])
    assert ended_by == "overload"
    assert watch.overload


@given(st.lists(st.floats(-50, 890), min_size=1, max_size=300))
def test_whatever_is_pulled_the_peak_is_kept(forces: list[float]) -> None:
    watch, _, taken = watched(list(forces))
    kept = [sample.force_n for sample in watch.samples]
    assert kept == forces[taken - len(kept) : taken]
    if watch.triggered:
        begin = next(
            i for i, sample in enumerate(watch.samples) if sample.index == watch.begin_index
        )
        assert watch.peak_n == max(force for force in kept[begin:] if force is not None)
    assert max(forces) < OVERLOAD_FRACTION * CAPACITY_N


@pytest.mark.parametrize(
    "values",
    [(0.0, 0.5, 0.1, 9.0), (2.0, 1.0, 0.1, 9.0), (2.0, 0.5, -1.0, 9.0), (2.0, 0.5, 0.1, np.inf)],
)
def test_limits_must_make_sense(values: tuple[float, float, float, float]) -> None:
    with pytest.raises(BadInput, match="must be"):
        PullLimits(*values)


def test_the_fit_is_that_of_the_reference_library() -> None:
    # numpy.polyfit is the outside reference for ordinary least squares.
    rng = np.random.default_rng(3)
    index = np.array([0, 1, 2, 5, 6, 9, 14])
    arrival_s = 100 + index / 80 + rng.uniform(0, 0.016, len(index))
    times_s, rate_hz = fitted_times(index, arrival_s)
    slope, intercept = np.polyfit(index - index.mean(), arrival_s, 1)
    np.testing.assert_allclose(times_s, intercept + slope * (index - index.mean()), rtol=1e-12)
    assert rate_hz == pytest.approx(1 / slope)


def test_batches_of_an_adapter_are_smoothed_out() -> None:
    # An adapter that hands over every 16 ms, its usual latency timer in Linux drivers [seen-3],
    # delays by 0 to 16 ms; spread evenly that is a standard deviation of 16/sqrt(12) = 4.6 ms
    # [calc], of which a straight line through 2000 samples leaves next to nothing.
    index = np.arange(2000)
    true_s = index / 317.0
    arrival_s = np.ceil(true_s / 0.016) * 0.016
    assert np.std(arrival_s - true_s) == pytest.approx(0.016 / np.sqrt(12), rel=0.02)
    times_s, rate_hz = fitted_times(index, arrival_s)
    assert np.std(times_s - true_s) < 1e-4
    assert rate_hz == pytest.approx(317.0, rel=1e-4)


def test_times_by_counter_are_exact_and_begin_at_the_trigger() -> None:
    index = np.array([10, 11, 14])
    times_s, _ = time_axis(index, np.zeros(3), "counter", 100.0, begin=1)
    np.testing.assert_allclose(times_s, [-0.01, 0.0, 0.03], atol=1e-15)


def test_times_of_one_sample_and_of_none() -> None:
    times_s, rate_hz = time_axis(np.array([4]), np.array([7.0]), "arrival", 100.0, 0)
    assert times_s.tolist() == [0.0]
    assert np.isnan(rate_hz)
    assert len(time_axis(np.empty(0, int), np.empty(0), "counter", 100.0, 0)[0]) == 0


def batched(true_s: np.ndarray) -> np.ndarray:
    """Arrival through an adapter that hands over every 16 ms."""
    return np.ceil(true_s / 0.016) * 0.016


def test_late_lines_that_catch_up_are_the_lines_own_jitter() -> None:
    true_s = np.arange(400) / 100.0
    arrival_s = batched(true_s)
    # The computer looks away for 0.6 s: what came meanwhile comes in one piece.
    away = (true_s > 1.0) & (true_s < 1.6)
    arrival_s[away] = 1.6
    assert clock_steps(true_s, arrival_s, 0.15) == []


@given(st.floats(10.0, 1000.0), st.floats(0.4, 60.0), st.sampled_from([-1, 1]), st.integers(0, 99))
def test_a_clock_and_arrivals_that_part_company_are_told(
    rate_hz: float, step_s: float, sign: int, seed: int
) -> None:
    true_s = np.arange(int(4 * rate_hz)) / rate_hz
    at = int(np.random.default_rng(seed).integers(len(true_s) // 5, 4 * len(true_s) // 5))
    jumped_s, paused_s = true_s.copy(), true_s.copy()
    (jumped_s if sign < 0 else paused_s)[at:] += step_s
    jitter_s = 0.15 + 1.5 / rate_hz
    assert clock_steps(true_s, batched(true_s), jitter_s) == []
    [(found, by_s)] = clock_steps(jumped_s, batched(paused_s), jitter_s)
    assert found == at
    assert by_s == pytest.approx(sign * step_s, rel=0.05, abs=0.1)


def test_a_tester_that_counts_at_another_pace_than_its_profile_says_agrees_with_itself() -> None:
    assert clock_steps(np.arange(300) / 80.0, np.arange(300) / 100.0, 0.15) == []
