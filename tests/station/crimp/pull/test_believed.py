from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.pull.believed import believed
from station.crimp.pull.reduce import reduce_trace
from tests.benchmarks.drawn_pulls import draw_pull
from tests.benchmarks.peak_at_limit import TOPS
from tests.published import pulled_copper

Trace = tuple[np.ndarray, np.ndarray]

RATE_HZ = 50.0


def pull(rate_hz: float = RATE_HZ, noise_n: float = 0.05, seed: int = 1) -> Trace:
    """Half a second of nothing, a climb to 60 N, a slow rounding to 80 N, a break, and nothing."""
    time_s = np.arange(0.0, 6.0, 1.0 / rate_hz)
    force = np.interp(time_s, [0.5, 2.0, 4.5, 4.501], [0.0, 60.0, 80.0, 0.0])
    noise = np.random.default_rng(seed).normal(0.0, noise_n, force.size)
    return time_s, np.round(force + noise, 1)


def test_a_pull_is_believed_as_it_is() -> None:
    time_s, force = pull()
    seen = believed(time_s, force)
    assert (seen.struck_out, seen.lost_samples, seen.void_reason) == (0, 0, None)
    assert seen.force is force


@given(at=st.integers(30, 223), times=st.sampled_from([10.0, 2.0, 1.25]), seed=st.integers(0, 9))
def test_one_high_sample_never_makes_the_peak(at: int, times: float, seed: int) -> None:
    time_s, force = pull(seed=seed)
    true_n = force.max()
    force[at] *= times
    reduced = reduce_trace(time_s, force)
    assert reduced.void_reason is not None or reduced.peak_n <= true_n


def test_a_high_sample_on_the_way_is_struck_out_and_counted() -> None:
    time_s, force = pull()
    whole = reduce_trace(time_s, force)
    force[80] = 556.7
    reduced = reduce_trace(time_s, force)
    assert (reduced.struck_out, reduced.lost_samples, reduced.void_reason) == (1, 0, None)
    assert reduced.peak_n == pytest.approx(whole.peak_n, abs=0.1)
    assert reduced.peak_time_s == whole.peak_time_s


def test_a_low_sample_on_the_way_is_struck_out_too() -> None:
    time_s, force = pull()
    force[150] *= -1.0
    reduced = reduce_trace(time_s, force)
    assert (reduced.struck_out, reduced.drops, reduced.void_reason) == (1, 0, None)


def test_a_high_sample_before_the_break_of_a_fast_climb_voids_the_pull() -> None:
    # What stood in its place would have decided the peak.
    time_s = np.arange(0.0, 2.0, 0.1)
    force = np.where(time_s < 1.05, 9.0 * time_s, 0.0) * 10.0
    force[10] = 130.0
    void_reason = reduce_trace(time_s, force).void_reason
    assert void_reason is not None
    assert "cannot be believed" in void_reason


def test_a_force_that_jumps_and_stays_voids_the_pull() -> None:
    # Another unit in mid-pull: 1 lbf is 4.448 N.
    time_s, force = pull()
    void_reason = reduce_trace(time_s, np.where(time_s > 3.5, 4.448 * force, force)).void_reason
    assert void_reason is not None
    assert "jumps from" in void_reason


def test_samples_lost_around_the_peak_void_the_pull_and_others_are_counted() -> None:
    time_s = np.arange(0.0, 4.0, 0.01)
    force = np.where(time_s < 2.0, 50.0 * time_s, 0.0)
    early = (time_s < 0.5) | (time_s > 0.7)
    seen = believed(time_s[early], force[early])
    assert (seen.lost_samples, seen.void_reason) == (int(np.count_nonzero(~early)), None)
    late = (time_s < 1.85) | (time_s > 2.05)
    seen = believed(time_s[late], force[late])
    assert seen.lost_samples == np.count_nonzero(~late)
    assert seen.void_reason is not None
    assert "were lost" in seen.void_reason


@given(st.floats(0.0, 1.0), st.sampled_from([10.0, 80.0, 1000.0]), st.integers(0, 9))
def test_noise_alone_strikes_nothing_out(noise_n: float, rate_hz: float, seed: int) -> None:
    seen = believed(*pull(rate_hz, noise_n, seed))
    assert (seen.struck_out, seen.void_reason) == (0, None)


@given(st.integers(0, 50), st.floats(0.01, 100.0))
def test_force_and_time_may_be_counted_in_any_unit(seed: int, scale: float) -> None:
    drawn = draw_pull(np.random.default_rng(seed))
    force = drawn.force_n.copy()
    force[force.size // 2] *= 3.0
    plain = believed(drawn.time_s, force)
    scaled = believed(drawn.time_s, force * scale)
    assert scaled.struck_out == plain.struck_out
    assert scaled.lost_samples == plain.lost_samples
    assert (scaled.void_reason is None) == (plain.void_reason is None)


def test_good_pulls_of_every_kind_are_left_alone() -> None:
    # So few only show that it works: `python -m tests.benchmarks.false_pass` measures.
    drawn = [draw_pull(np.random.default_rng([5, n]), truncated_share=0.0) for n in range(300)]
    whole = [believed(each.time_s, each.force_n) for each in drawn if not each.chain.lost_share]
    assert sum(seen.struck_out or seen.void_reason is not None for seen in whole) <= 1


def test_pulls_by_material_laws_are_left_alone_too() -> None:
    # Shapes that share nothing with the station's simulator: tests/published/pulled_copper.py.
    rng = np.random.default_rng(6)
    void = 0
    for draw, rate_hz, noise in product(TOPS.values(), (10.0, 50.0, 300.0), (0.0, 0.002, 0.01)):
        for _ in range(3):
            drawn, limit_n = draw(rng), rng.uniform(60.0, 120.0)
            true = pulled_copper.Pull(18, drawn.travel_mm, drawn.force_n * limit_n)
            chain = pulled_copper.Chain(rate_hz, noise * limit_n, 0.1, None)
            void += believed(*pulled_copper.seen(true, chain, 1.0, rng)).void_reason is not None
    assert void <= 1


@pytest.mark.parametrize("force", [[0.0, 1.0], [5.0, 5.0], [-1.0, -2.0, -3.0], [0.0] * 9])
def test_short_and_flat_traces_are_taken_as_they_are(force: list[float]) -> None:
    values = np.array(force)
    assert believed(np.linspace(0.0, 1.0, values.size), values).force is values
