"""The peak of a recorded pull: of its trace, beside the tester's own register."""

import numpy as np
import pytest

from calibration.worth import ForceWorth
from station.instruments.pull_tester import ForceTrace
from station.instruments.recorded_peak import reduce_recorded

WORTH = ForceWorth(percent_of_reading=0.5, resolution_n=0.1, filter_hz=None)
PEAK_N = 120.0
NOISE_N = 0.6


def recorded(register_n: float | None = None) -> ForceTrace:
    """A round top of 120 N at 200 samples a second, in noise."""
    time_s = np.arange(-100, 500) / 200.0
    force_n = np.where(time_s > 0.0, PEAK_N * (1.0 - (1.0 - time_s / 2.0) ** 2), 0.0)
    force_n[time_s > 2.0] = 0.0
    force_n += np.random.default_rng(6).normal(0.0, NOISE_N, time_s.size)
    return ForceTrace(
        time_s=time_s,
        force_n=np.asarray(np.round(force_n, 1), dtype=np.float64),
        time_from="counter",
        arrival_rate_hz=200.0,
        lost_samples=0,
        unit="N",
        unit_assumed=False,
        overload=False,
        ended_by="force fell",
        register_peak_n=register_n,
    )


def test_the_peak_is_not_the_largest_of_many_noisy_samples() -> None:
    trace = recorded()
    reduced, found = reduce_recorded(trace, WORTH, 2.0)
    assert trace.force_n.max() > PEAK_N + NOISE_N
    reach_n = 2.0 * reduced.peak_u_n
    assert reach_n < NOISE_N
    assert found.peak_n - reach_n <= PEAK_N <= found.peak_n + found.may_be_low_by_n + reach_n
    assert reduced.peak_n == found.peak_n == pytest.approx(PEAK_N, rel=0.01)
    assert reduced.void_reason is None


def test_a_register_that_says_otherwise_voids_the_pull() -> None:
    _, found = reduce_recorded(recorded(PEAK_N + 40.0), WORTH, 2.0)
    assert found.void_reason is not None
    _, fits = reduce_recorded(recorded(PEAK_N + 0.5), WORTH, 2.0)
    assert fits.void_reason is None
