import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput
from station.instruments.simulated.physics import Specimen, pull_curve
from station.pull import FAILURE_MODES, reduce_trace


def ramp(peak_n: float, rate_n_per_s: float, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """A straight ramp that breaks at once."""
    time_s = np.arange(0.0, peak_n / rate_n_per_s + 0.5, 1.0 / rate_hz)
    force = rate_n_per_s * time_s
    return time_s, np.where(force <= peak_n, force, 0.0)


@pytest.mark.parametrize(
    ("rate_hz", "rate_n_per_s", "worst_percent"),
    [(10.0, 20.0, 2.0), (80.0, 100.0, 1.2), (1000.0, 400.0, 0.4), (10.0, 400.0, 40.0)],
)
def test_peak_loss_of_a_sudden_break(
    rate_hz: float, rate_n_per_s: float, worst_percent: float
) -> None:
    # Own simulation of point sampling at 100 N, worst over the sample's phase (CALC):
    # loss at most rate over sample rate.
    for phase in np.linspace(0.0, 1.0, 23):
        peak = 100.0 + phase * rate_n_per_s / rate_hz
        reduced = reduce_trace(*ramp(peak, rate_n_per_s, rate_hz))
        assert reduced.peak_n <= peak + 1e-9
        assert peak <= reduced.peak_n + reduced.peak_may_be_low_by_n + 1e-9
        assert reduced.peak_may_be_low_by_n == pytest.approx(worst_percent, rel=0.05)


def test_filter_lag_adds_to_the_loss() -> None:
    # One-pole filter: lag of rate / (2 pi f) on a ramp; 400 N/s through 10 Hz is 6.4 N (CALC).
    plain = reduce_trace(*ramp(100.0, 400.0, 1000.0))
    filtered = reduce_trace(*ramp(100.0, 400.0, 1000.0), filter_hz=10.0)
    lag = filtered.peak_may_be_low_by_n - plain.peak_may_be_low_by_n
    assert lag == pytest.approx(6.366, rel=0.02)


def test_ramp_is_described() -> None:
    reduced = reduce_trace(*ramp(120.0, 50.0, 200.0))
    assert reduced.loading_rate_n_per_s == pytest.approx(50.0, rel=1e-6)
    assert reduced.peak_time_s == pytest.approx(2.4, abs=0.01)
    assert reduced.ended_by == "break"
    assert reduced.drops == 0
    assert reduced.void_reason is None


def test_nothing_in_the_grips_is_void() -> None:
    reduced = reduce_trace([0.0, 0.1, 0.2, 0.3], [0.1, 0.2, -0.1, 0.1])
    assert reduced.ended_by == "nothing"
    assert reduced.void_reason is not None


def test_a_pull_still_held_at_the_end_is_no_break() -> None:
    reduced = reduce_trace([0.0, 1.0, 2.0, 3.0], [0.0, 50.0, 100.0, 99.0])
    assert reduced.ended_by == "hold"
    assert reduced.suggested_mode is None


def test_a_drop_and_a_new_rise_are_counted() -> None:
    force = [0, 20, 40, 60, 50, 55, 70, 80, 60, 75, 90, 100, 0, 0]
    assert reduce_trace(np.arange(14.0), force).drops == 2


@pytest.mark.parametrize(("failure", "mode"), [("break", "broke_at_edge"), ("slip", "drawn_out")])
def test_simulated_failures_are_told_apart(failure: str, mode: str) -> None:
    rng = np.random.default_rng(3)
    specimen = Specimen.model_validate({"break_force_n": 150.0, "failure": failure})
    force = pull_curve(specimen, rng, sample_rate_hz=100.0)
    reduced = reduce_trace(np.arange(force.size) / 100.0, force)
    assert reduced.suggested_mode == mode
    assert mode in FAILURE_MODES


@given(st.lists(st.floats(-50.0, 500.0), min_size=2, max_size=200))
def test_any_finite_trace_is_reduced_to_its_highest_sample(force: list[float]) -> None:
    reduced = reduce_trace(np.arange(len(force)) * 0.01, force)
    assert reduced.peak_n == max(force)
    assert reduced.peak_may_be_low_by_n >= 0.0


@pytest.mark.parametrize(
    ("time_s", "force_n", "says"),
    [
        ([], [], "0 samples"),
        ([0.0], [1.0], "1 samples"),
        ([0.0, 1.0], [1.0], "2 times but 1 forces"),
        ([0.0, 0.0], [1.0, 2.0], "does not rise at sample 1"),
        ([0.0, 1.0], [1.0, float("nan")], "force_n is not a number at sample 1"),
        ([0.0, "late"], [1.0, 2.0], "not a number"),
    ],
)
def test_malformed_traces_are_refused(time_s: list[float], force_n: list[float], says: str) -> None:
    with pytest.raises(BadInput, match=says):
        reduce_trace(time_s, force_n)
