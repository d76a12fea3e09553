import math

import numpy as np
import pytest

from station.statistics.drift_study import Direction, drift_study


def ramp(slope: float, began: int, n: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise: np.ndarray = rng.normal(50.0, 2.0, n) + slope * np.maximum(np.arange(n) - began + 1, 0)
    return noise


def test_a_drift_is_found_dated_and_measured_in_the_units_of_the_values() -> None:
    study = drift_study(ramp(0.2, 60, 120, 1).tolist(), center=50.0, sigma=2.0)
    assert study.signal_index is not None
    assert study.change is not None
    assert study.slopes is not None
    assert 60 <= study.signal_index < 90
    assert study.change.began_low <= 60 <= study.change.began_high
    slope, low, high = study.slopes
    assert low <= 0.2 <= high
    assert slope == pytest.approx(0.2, rel=0.2)


def test_slope_intervals_hold_without_a_known_baseline() -> None:
    hits = []
    for seed in range(400):
        study = drift_study(ramp(0.3, 40, 90, seed).tolist(), baseline=10)
        if study.slopes is not None and study.signal_index is not None and study.signal_index >= 30:
            hits.append(study.slopes[1] <= 0.3 <= study.slopes[2])
    assert len(hits) > 330
    # Stated 95 %, counting error 1.1 %.
    assert np.mean(hits) >= 0.92


@pytest.mark.parametrize(
    ("direction", "step", "found"),
    [("up", 2.0, True), ("down", 2.0, False), ("down", -2.0, True), ("both", -2.0, True)],
)
def test_only_the_direction_asked_for_is_watched(
    direction: Direction, step: float, found: bool
) -> None:
    rng = np.random.default_rng(3)
    values = rng.standard_normal(80) + step * (np.arange(80) >= 40)
    study = drift_study(values.tolist(), center=0.0, sigma=1.0, direction=direction)
    assert (study.signal_index is not None) == found


@pytest.mark.parametrize("known", [True, False])
def test_false_alarms_come_as_rarely_as_asked(known: bool) -> None:
    rng = np.random.default_rng(6)
    lengths = []
    for _ in range(700):
        values = rng.normal(3.0, 0.5, 1500).tolist()
        if known:
            study = drift_study(values, center=3.0, sigma=0.5, run_length=100.0)
        else:
            study = drift_study(values, run_length=100.0)
        assert study.signal_index is not None
        lengths.append(study.signal_index + 1)
    # Standard error of the mean about 3.8 %; promised to 10 %.
    assert np.mean(lengths) == pytest.approx(100.0, rel=0.18)


@pytest.mark.parametrize(
    ("values", "center", "sigma", "says"),
    [
        ([1.0], None, None, "too few"),
        ([*range(30)], None, None, "too few"),
        ([5.0] * 40, None, None, "equal"),
        ([1.0, math.nan], 0.0, 1.0, "finite"),
        ([1.0, 2.0], 0.0, None, "both or neither"),
        ([1.0, 2.0], 0.0, 0.0, "positive"),
        ([1.0, 2.0], 0.0, 1e-300, "absurdly far"),
        ([1e308, -1e308] * 20, None, None, "too large"),
    ],
)
def test_what_cannot_be_studied(
    values: list[float], center: float | None, sigma: float | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        drift_study(values, center=center, sigma=sigma)


def test_one_value_against_a_known_baseline_is_no_drift() -> None:
    study = drift_study([0.3], center=0.0, sigma=1.0)
    assert (study.signal_index, study.change, study.slopes) == (None, None, None)
    assert study.one_sigma_within == 19


def test_constants_at_the_centre_are_no_drift() -> None:
    assert drift_study([7.0] * 500, center=7.0, sigma=1.0).signal_index is None


def test_a_baseline_of_any_size_is_taken_from_the_start_and_the_rest_is_counted() -> None:
    values = ramp(0.2, 60, 120, 1).tolist()
    short, long = (drift_study(values, baseline=size, direction="up") for size in (20, 40))
    assert short.signal_index is not None
    assert long.signal_index is not None
    assert (short.baseline.n, long.baseline.n) == (20, 40)
    assert 60 <= short.signal_index + 20 < 95
    assert 60 <= long.signal_index + 40 < 95
    with pytest.raises(ValueError, match="at least 10"):
        drift_study(values, baseline=9)


def test_values_of_one_day_that_are_alike_flag_less_often_where_days_are_named() -> None:
    rng = np.random.default_rng(9)
    flagged = np.zeros(2)
    for _ in range(25):
        shared = np.repeat(rng.standard_normal(160), 3)
        values = (shared + rng.standard_normal(480)).tolist()
        days = [str(place // 3) for place in range(480)]
        for place, named in enumerate((None, days)):
            study = drift_study(values, baseline=240, days=named, direction="up", run_length=930.0)
            flagged[place] += study.signal_index is not None
    assert flagged[0] >= 15
    assert flagged[1] <= 0.7 * flagged[0]
