import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from station.crimp.pull.reduce import (
    FAILURE_MODES,
    PullReduction,
    reduce_trace,
)
from station.crimp.wire import awg
from station.errors import BadInput
from station.simulation.physics import Specimen, pull_curve
from tests.benchmarks.pull_shapes import SHAPES as SHAPED
from tests.benchmarks.pull_shapes import shaped_curve

Trace = tuple[np.ndarray, np.ndarray]


def ramp(peak_n: float, rate_n_per_s: float, rate_hz: float) -> Trace:
    """A straight ramp that breaks at once; its forces are multiples of nothing."""
    time_s = np.arange(0.0, peak_n / rate_n_per_s + 0.5, 1.0 / rate_hz)
    force = np.maximum(rate_n_per_s * (time_s - np.pi / 1e4), 0.0)
    return time_s, np.where(force <= peak_n, force, 0.0)


def knots(*points: tuple[float, float], rate_hz: float = 100.0) -> Trace:
    """A trace through (time, force) knots."""
    times, forces = zip(*points, strict=True)
    time_s = np.arange(times[0], times[-1], 1.0 / rate_hz)
    return time_s, np.interp(time_s, times, forces)


def crimp(seed: int, failure: str = "break") -> Trace:
    """A simulated pull at 100 samples a second with some noise."""
    rng = np.random.default_rng(seed)
    specimen = Specimen.model_validate({"break_force_n": 150.0, "failure": failure})
    force = pull_curve(specimen, rng, sample_rate_hz=100.0)
    return np.arange(force.size) / 100.0, force + rng.normal(0.0, 0.1, force.size)


@pytest.mark.parametrize(
    ("rate_hz", "rate_n_per_s", "worst_percent"),
    [(10.0, 20.0, 2.0), (80.0, 100.0, 1.2), (1000.0, 400.0, 0.4), (10.0, 400.0, 40.0)],
)
def test_peak_loss_of_a_sudden_break(
    rate_hz: float, rate_n_per_s: float, worst_percent: float
) -> None:
    # Point sampling at 100 N, worst over the sample's phase: loss at most rate over sample rate
    # [calc].
    for phase in np.linspace(0.0, 1.0, 23):
        peak = 100.0 + phase * rate_n_per_s / rate_hz
        reduced = reduce_trace(*ramp(peak, rate_n_per_s, rate_hz))
        assert reduced.peak_n <= peak + 1e-9
        assert peak <= reduced.peak_n + reduced.peak_may_be_low_by_n + 1e-9
        # Of a climb of three samples the noise is a guess, which widens the bound a little.
        rel = 0.15 if rate_n_per_s / rate_hz > 20.0 else 0.05
        assert reduced.peak_may_be_low_by_n == pytest.approx(worst_percent, rel=rel)


def test_filter_lag_adds_to_the_loss() -> None:
    # One-pole filter: lag of rate / (2 pi f) on a ramp; 400 N/s through 10 Hz is 6.4 N [calc].
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
    assert reduced.noise_n == pytest.approx(0.0, abs=1e-9)
    assert reduced.void_reason is None


def test_slack_ends_where_the_force_begins_to_rise_for_good() -> None:
    time_s, force = knots((0.0, 0.0), (1.0, 0.0), (3.0, 100.0), (3.001, 0.0), (3.5, 0.0))
    reduced = reduce_trace(time_s, force)
    # 2 N of 50 N/s are reached 0.04 s after the ramp begins [calc].
    assert reduced.slack_end_s == pytest.approx(1.04, abs=0.011)


def test_nothing_in_the_grips_is_void() -> None:
    reduced = reduce_trace([0.0, 0.1, 0.2, 0.3], [0.1, 0.2, -0.1, 0.1])
    assert reduced.ended_by == "nothing"
    assert reduced.void_reason is not None


def test_a_force_kept_up_is_a_hold_and_not_a_break() -> None:
    # UL 486A (2003), section 12: the stated value held 1 min [seen-1]; still on at the end.
    reduced = reduce_trace(*knots((0.0, 0.0), (2.0, 100.0), (62.0, 99.0)), proof_n=98.0)
    assert reduced.ended_by == "hold"
    assert reduced.suggested_mode is None
    assert reduced.void_reason is None
    assert reduced.held_s == pytest.approx(60.0, abs=0.1)


def test_a_force_kept_up_and_let_down_is_a_hold() -> None:
    held = knots((0.0, 0.0), (2.0, 100.0), (62.0, 98.0), (63.0, 0.0), (64.0, 0.0))
    assert reduce_trace(*held).ended_by == "hold"


def test_a_sample_that_lets_go_during_a_hold_broke() -> None:
    held = knots((0.0, 0.0), (2.0, 100.0), (30.0, 98.0), (30.001, 0.0), (31.0, 0.0))
    reduced = reduce_trace(*held, proof_n=95.0)
    assert reduced.ended_by == "break"
    assert reduced.held_s == pytest.approx(28.1, abs=0.1)


def test_a_recording_cut_off_shows_only_a_least_force() -> None:
    reduced = reduce_trace(*knots((0.0, 0.0), (2.0, 100.0)))
    assert reduced.ended_by == "truncated"
    assert reduced.suggested_mode is None
    assert reduced.void_reason is not None
    assert "at least 99.5 N" in reduced.void_reason


def test_a_slow_ramp_cut_off_is_no_hold() -> None:
    # At 2 N/s the last tenth alone takes 5 s, which is a climb and not a hold.
    assert reduce_trace(*knots((0.0, 0.0), (50.0, 100.0))).ended_by == "truncated"


def test_a_recording_that_begins_at_its_peak_is_void() -> None:
    reduced = reduce_trace(*knots((0.0, 100.0), (1.0, 90.0), (1.01, 0.0), (2.0, 0.0)))
    assert reduced.void_reason is not None
    assert "begins at the peak" in reduced.void_reason


def test_a_rise_within_one_sample_is_void() -> None:
    reduced = reduce_trace([0.0, 0.1, 0.2, 0.3], [0.0, 0.0, 80.0, 0.0])
    assert reduced.void_reason is not None
    assert "faster tester" in reduced.void_reason


def test_a_grip_that_slips_voids_the_pull_even_where_a_break_follows() -> None:
    slipped = knots(
        (0.0, 0.0), (2.0, 60.0), (2.01, 30.0), (3.01, 60.0), (4.0, 90.0), (4.01, 0.0), (5.0, 0.0)
    )
    reduced = reduce_trace(*slipped)
    assert reduced.suggested_mode == "grip_slip"
    assert reduced.void_reason is not None
    assert "grip a new one" in reduced.void_reason
    assert "50%" in reduced.reasons[0]


def test_a_strand_that_parts_early_is_no_slip() -> None:
    # One strand of seven takes a seventh of the force with it [calc].
    parted = knots((0.0, 0.0), (2.0, 70.0), (2.01, 60.0), (4.0, 100.0), (4.01, 0.0), (5.0, 0.0))
    reduced = reduce_trace(*parted)
    assert reduced.drops == 1
    assert reduced.void_reason is None


def test_a_drop_and_a_new_rise_are_counted() -> None:
    force = [0, 20, 40, 60, 50, 55, 70, 80, 60, 75, 90, 100, 0, 0]
    assert reduce_trace(np.arange(14.0), force).drops == 2


@pytest.mark.parametrize(
    ("failure", "mode", "share_of_soft_break", "tells"),
    [
        ("break", "broke_at_edge", 0.8, False),  # a clean break can have several causes
        ("slip", "drawn_out", 0.6, True),
        ("grip_slip", "grip_slip", 0.8, True),
        ("broke_in_barrel", "broke_in_barrel", 0.5, True),
        ("broke_in_wire", "broke_in_wire", 1.0, True),
        ("connector_broke", "connector_broke", 1.4, True),
        ("insulation_only", "insulation_only", 0.07, True),
    ],
)
def test_no_simulated_failure_is_told_wrong(
    failure: str, mode: str, share_of_soft_break: float, tells: bool
) -> None:
    # 18 AWG in soft copper breaks at 210 N [calc]: 37,000 psi, a public wire table [seen-1].
    break_n = 210.0 * share_of_soft_break
    told = set()
    for seed in range(6):
        rng = np.random.default_rng(seed)
        if failure in SHAPED:
            # 100 mm/min at 100 samples a second.
            force = shaped_curve(failure, break_n, rng, step_mm=1.0 / 60.0)
        else:
            specimen = Specimen.model_validate({"break_force_n": break_n, "failure": failure})
            force = pull_curve(specimen, rng, sample_rate_hz=100.0)
        force += rng.normal(0.0, 0.05, force.size)
        reduced = reduce_trace(np.arange(force.size) / 100.0, force, wire=awg(18))
        told.add(reduced.suggested_mode)
        assert reduced.reasons
        assert all(reason.endswith(".") for reason in reduced.reasons)
    assert told <= {mode, None}
    assert (mode in told) == tells


def test_a_gap_at_the_top_widens_the_bound() -> None:
    time_s, force = ramp(100.0, 50.0, 100.0)
    lost = (time_s > 1.9) & (time_s < 2.3)
    whole, gapped = reduce_trace(time_s, force), reduce_trace(time_s[~lost], force[~lost])
    # 50 N/s over 0.4 s may hide 20 N [calc]; the truth is 100 N.
    assert gapped.peak_may_be_low_by_n == pytest.approx(20.0, rel=0.06)
    assert gapped.peak_n + gapped.peak_may_be_low_by_n >= whole.peak_n


def test_uneven_times_do_not_loosen_the_bound() -> None:
    rng = np.random.default_rng(4)
    for seed in range(50):
        time_s = np.sort(rng.uniform(0.0, 3.5, 170))
        peak = 100.0 + seed
        force = np.where(50.0 * time_s <= peak, 50.0 * time_s, 0.0)
        reduced = reduce_trace(time_s, force)
        assert peak <= reduced.peak_n + reduced.peak_may_be_low_by_n + 1e-9


def test_a_flat_top_hides_less_than_a_steep_one() -> None:
    # Ductile tops hide less: the climb at the top counts, not the climb below it.
    flat = knots(
        (0.0, 0.0), (1.0, 90.0123), (11.0, 100.0), (11.001, 0.0), (12.0, 0.0), rate_hz=10.0
    )
    # 1 N/s over 0.1 s [calc].
    assert reduce_trace(*flat).peak_may_be_low_by_n == pytest.approx(0.1, rel=0.1)


def alike(first: PullReduction, second: PullReduction) -> bool:
    return (
        first.drops == second.drops
        and first.ended_by == second.ended_by
        and first.suggested_mode == second.suggested_mode
        and (first.void_reason is None) == (second.void_reason is None)
    )


@given(
    st.integers(0, 30),
    st.sampled_from(["break", "slip", "grip_slip"]),
    st.integers(-(2**20), 2**20),
)
def test_time_may_be_counted_from_anywhere(seed: int, failure: str, shift: int) -> None:
    time_s, force = crimp(seed, failure)
    time_s = np.arange(time_s.size) / 128.0  # exact in binary, before and after the shift
    here, there = reduce_trace(time_s, force), reduce_trace(time_s + shift, force)
    assert alike(here, there)
    assert there.peak_n == here.peak_n
    assert there.peak_u_n == here.peak_u_n
    assert there.peak_time_s == here.peak_time_s + shift
    assert there.peak_may_be_low_by_n == pytest.approx(here.peak_may_be_low_by_n, rel=1e-6)


@given(
    st.integers(0, 30),
    st.sampled_from(["break", "slip", "grip_slip"]),
    st.floats(0.01, 100.0),
)
def test_force_may_be_counted_in_any_unit(seed: int, failure: str, scale: float) -> None:
    time_s, force = crimp(seed, failure)
    plain = reduce_trace(time_s, force, preload_n=2.0)
    scaled = reduce_trace(time_s, force * scale, preload_n=2.0 * scale)
    assert alike(plain, scaled)
    assert scaled.peak_n == pytest.approx(plain.peak_n * scale)
    assert scaled.peak_may_be_low_by_n == pytest.approx(plain.peak_may_be_low_by_n * scale)


@given(st.integers(0, 30), st.integers(2, 4))
def test_points_between_samples_do_not_change_the_peak(seed: int, times: int) -> None:
    time_s, force = crimp(seed)
    # A peak is an estimate: points that tell nothing new leave it within its uncertainty.
    between = np.linspace(time_s[0], time_s[-1], (time_s.size - 1) * times + 1)
    plain = reduce_trace(time_s, force)
    assert reduce_trace(between, np.interp(between, time_s, force)).peak_n == pytest.approx(
        plain.peak_n, abs=3.0 * plain.peak_u_n
    )


@example([0.0, -1.0, 3.0])
@given(st.lists(st.floats(-50.0, 500.0), min_size=2, max_size=200))
def test_no_finite_trace_has_a_peak_above_its_highest_sample(force: list[float]) -> None:
    reduced = reduce_trace(np.arange(len(force)) * 0.01, force, filter_hz=20.0, wire=awg(18))
    # The largest of noisy samples is above the peak: the estimate may be lower, never higher.
    assert reduced.peak_n <= max(force) + 1e-9
    assert 0.0 <= reduced.peak_u_n < float("inf")
    assert 0.0 <= reduced.peak_may_be_low_by_n < float("inf")
    assert reduced.suggested_mode is None or reduced.suggested_mode in FAILURE_MODES


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


@pytest.mark.parametrize("name", ["filter_hz", "proof_n"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan")])
def test_what_is_known_of_the_tester_is_positive(name: str, value: float) -> None:
    with pytest.raises(BadInput, match=name):
        reduce_trace([0.0, 1.0], [0.0, 1.0], **{name: value})  # type: ignore[arg-type]
