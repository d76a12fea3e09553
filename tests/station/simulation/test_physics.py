from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.simulation.physics import (
    FailureKind,
    Specimen,
    ThermalVoltage,
    four_wire_ohm,
    noisy,
    pull_curve,
)

RATE_HZ = 100.0


def drifting_v(time_s: float) -> float:
    return 5e-6 + 2e-6 * time_s


def test_thermal_voltage_and_its_cancelling() -> None:
    # Worked by hand [calc]: 1 mohm at 1 A with 5 µV that drift by 2 µV/s, 0.2 s between the
    # halves: one way 1005.0 µohm, on/off 1005.0 - 5.4 = 999.6 µohm.
    first_v, second_v = drifting_v(0.0), drifting_v(0.2)
    assert four_wire_ohm(1e-3, first_v, second_v, 1.0, False) == pytest.approx(1005.0e-6)
    assert four_wire_ohm(1e-3, first_v, second_v, 1.0, True) == pytest.approx(999.6e-6)


@given(st.floats(1e-6, 1e3), st.floats(-1e-4, 1e-4), st.sampled_from([0.001, 0.01, 0.1, 1.0]))
def test_a_steady_thermal_voltage_cancels_wholly(
    true_ohm: float, emf_v: float, current_a: float
) -> None:
    reading_ohm = four_wire_ohm(true_ohm, emf_v, emf_v, current_a, True)
    assert reading_ohm == pytest.approx(true_ohm, abs=1e-15 / current_a + 1e-12 * true_ohm)


def test_thermal_voltage_dies_away_to_what_lasts() -> None:
    emf = ThermalVoltage(lasting_v=1e-6, fading_v=9e-6, time_constant_s=10)
    assert emf.at(0) == pytest.approx(10e-6)
    # After one time constant 1/e is left [calc].
    assert emf.at(10) == pytest.approx(1e-6 + 9e-6 / np.e)
    assert emf.at(1000) == pytest.approx(1e-6)


def test_only_the_wire_follows_the_temperature() -> None:
    # Annealed copper: 0.393 %/K at 20 °C, NBS Handbook 100 [seen-2], so 10 K are 3.93 % of the
    # wire's share [calc].
    warm = Specimen(wire_ohm=0.01, splice_ohm=0.001, temperature_c=30)
    assert warm.between_clips_ohm == pytest.approx(0.010393 + 0.001)


def test_noise_has_the_spread_asked_for_and_whole_digits() -> None:
    rng = np.random.default_rng(1)
    values = np.array([noisy(5.0, 0.2, 0.01, rng) for _ in range(4000)])
    # Standard error of a standard deviation from n values is s/sqrt(2n) = 1.1 % [calc]; 4 of them.
    assert values.std() == pytest.approx(0.2, rel=0.045)
    np.testing.assert_allclose(values * 100, np.round(values * 100), atol=1e-9)


@pytest.mark.parametrize("failure", get_args(FailureKind))
@given(force_n=st.floats(5, 800), stiffness=st.floats(10, 300), seed=st.integers(0, 99))
def test_the_peak_is_the_breaking_force_whatever_fails(
    failure: FailureKind, force_n: float, stiffness: float, seed: int
) -> None:
    specimen = Specimen(break_force_n=force_n, failure=failure, stiffness_n_per_mm=stiffness)
    curve = pull_curve(specimen, np.random.default_rng(seed), sample_rate_hz=RATE_HZ)
    assert curve.max() == pytest.approx(force_n)
    assert curve.min() >= 0
    assert curve[0] == 0
    assert curve[-1] == pytest.approx(0, abs=0.02 * force_n)


def test_the_ramp_rises_at_crosshead_speed_times_stiffness() -> None:
    # 60 mm/min is 1 mm/s; times 50 N/mm is 50 N/s [calc].
    specimen = Specimen(break_force_n=200, stiffness_n_per_mm=50, slack_mm=0.5)
    rng = np.random.default_rng(1)
    curve = pull_curve(specimen, rng, sample_rate_hz=RATE_HZ, crosshead_mm_per_min=60)
    rising = curve[(curve > 20) & (curve < 150)][:200]
    np.testing.assert_allclose(np.diff(rising) * RATE_HZ, 50, rtol=1e-9)
    assert np.count_nonzero(curve[:60] == 0) == pytest.approx(50, abs=1)


def test_strands_part_one_by_one() -> None:
    specimen = Specimen(strands=7)
    curve = pull_curve(specimen, np.random.default_rng(1), sample_rate_hz=10_000)
    drops = np.diff(curve[curve.argmax() :])
    assert np.count_nonzero(drops < 0) == 7


def test_a_wire_that_slips_out_leaves_a_long_tail_of_friction() -> None:
    tails = {}
    for failure in ("break", "slip"):
        specimen = Specimen.model_validate({"failure": failure})
        curve = pull_curve(specimen, np.random.default_rng(1), sample_rate_hz=RATE_HZ)
        tails[failure] = np.count_nonzero(curve[curve.argmax() :] > 0)
    assert tails["slip"] > 5 * tails["break"]


def test_a_grip_that_slips_drops_the_force_and_lets_it_rise_again() -> None:
    specimen = Specimen(failure="grip_slip")
    curve = pull_curve(specimen, np.random.default_rng(1), sample_rate_hz=RATE_HZ)
    rise = np.diff(curve[: curve.argmax() + 1])
    assert np.count_nonzero(rise < -10) == 1


def test_the_same_seed_gives_the_same_pull() -> None:
    first, again = (
        pull_curve(Specimen(), np.random.default_rng(5), sample_rate_hz=RATE_HZ) for _ in range(2)
    )
    np.testing.assert_array_equal(first, again)
