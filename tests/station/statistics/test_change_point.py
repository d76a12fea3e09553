import math

import numpy as np
import pytest
from statsmodels.datasets import nile

from station.statistics.change_point import Change, fit_change
from station.statistics.drift_study import drift_study


def courses(kind: str, size: float, began: int, n: int, count: int, seed: int) -> list[Change]:
    rng = np.random.default_rng(seed)
    grown = np.maximum(np.arange(n) - began + 1, 0)
    mean = size * grown if kind == "ramp" else size * (grown > 0)
    return [fit_change(rng.standard_normal(n) + mean) for _ in range(count)]


def test_noiseless_shapes_are_found_exactly() -> None:
    step = fit_change([0.0] * 20 + [2.0] * 20)
    assert (step.shape, step.began) == ("step", 20)
    assert step.level == pytest.approx(2.0)
    ramp = fit_change([0.0] * 20 + [0.5 * k for k in range(1, 21)])
    assert (ramp.shape, ramp.began) == ("ramp", 20)
    assert ramp.slope == pytest.approx(0.5)
    assert ramp.level == pytest.approx(10.0)


@pytest.mark.parametrize(("size", "n"), [(0.05, 90), (0.1, 60)])
def test_intervals_of_slope_and_beginning_hold_for_ramps(size: float, n: int) -> None:
    found = courses("ramp", size, 30, n, 600, seed=2)
    slope = np.mean([change.slope_low <= size <= change.slope_high for change in found])
    began = np.mean([change.began_low <= 30 <= change.began_high for change in found])
    # Stated 95 %; counting error 0.9 %. The interval of the beginning allows for two shapes.
    assert 0.92 <= slope <= 0.995
    assert 0.92 <= began <= 1.0
    assert np.median([change.slope for change in found]) == pytest.approx(size, rel=0.1)


def test_interval_of_the_beginning_holds_for_steps() -> None:
    found = courses("step", 1.5, 30, 60, 600, seed=3)
    assert np.mean([change.began_low <= 30 <= change.began_high for change in found]) >= 0.92
    assert np.mean([change.shape == "step" for change in found]) > 0.6


def test_an_uncertain_baseline_widens_the_interval_and_keeps_its_word() -> None:
    rng = np.random.default_rng(5)
    hits = []
    for _ in range(600):
        before = rng.normal(7.0, 3.0, 20)
        after = 7.0 + 3.0 * (rng.standard_normal(60) + 0.1 * np.maximum(np.arange(60) - 19, 0))
        distances = (after - before.mean()) / before.std(ddof=1)
        change = fit_change(distances, baseline_sizes=[20.0])
        unit = 3.0 / before.std(ddof=1)
        hits.append(change.slope_low <= 0.1 * unit <= change.slope_high)
    # The slope is in deviations of a baseline of 20, whose own error is in ``unit``.
    assert 0.92 <= np.mean(hits) <= 0.995


def test_joints_with_shifted_baselines_are_told_from_a_change() -> None:
    rng = np.random.default_rng(6)
    joints = rng.integers(0, 2, 400)
    offset = np.array([0.4, -0.4])[joints]
    grown = 0.05 * np.maximum(np.arange(400) - 299, 0)
    y = rng.standard_normal(400) + offset + grown
    change = fit_change(y, joints=joints.tolist(), baseline_sizes=[10.0, 10.0])
    assert change.shape == "ramp"
    assert change.began_low <= 300 <= change.began_high
    assert change.slope_low <= 0.05 <= change.slope_high


def test_quick_sums_equal_plain_least_squares() -> None:
    # numpy.linalg on the full model: joint centres with a prior, and the ramp.
    rng = np.random.default_rng(7)
    at = np.sort(rng.choice(60, 30, replace=False))
    joints = rng.integers(0, 2, 30)
    y = rng.standard_normal(30) + 0.2 * np.maximum(at - 29, 0)
    sizes = np.array([12.0, 30.0])
    change = fit_change(y, at.tolist(), joints=joints.tolist(), baseline_sizes=sizes.tolist())
    best = (math.inf, -1, 0.0)
    for begin in at:
        ramp = np.maximum(at - begin + 1, 0.0)
        design = np.column_stack([ramp, joints == 0, joints == 1]).astype(float)
        prior = np.column_stack([np.zeros(2), np.diag(np.sqrt(sizes))])
        full, target = np.vstack([design, prior]), np.concatenate([y, np.zeros(2)])
        solution, *_ = np.linalg.lstsq(full, target, rcond=None)
        squares = float(np.sum((full @ solution - target) ** 2))
        best = min(best, (squares, int(begin), float(solution[0])))
    assert change.shape == "ramp"
    assert change.began == best[1]
    assert change.slope == pytest.approx(best[2])


def test_a_change_begins_no_later_than_its_signal() -> None:
    y = [0.0] * 30 + [3.0] * 5
    assert fit_change(y, latest=20).began <= 20


def test_nothing_cannot_have_changed() -> None:
    with pytest.raises(ValueError, match="no sample"):
        fit_change([])


def test_the_nile_fell_after_1898() -> None:
    # Annual flow at Aswan 1871-1970; the fall between 1898 and 1899 is the textbook example
    # (Cobb, Biometrika 65 (1978) 243-251 [memory]). Data as they ship with statsmodels.
    flow = nile.load_pandas().data
    years, volume = flow["year"].to_numpy(), flow["volume"].to_numpy()
    before = volume[:20]
    distances = (volume[20:] - before.mean()) / before.std(ddof=1)
    change = fit_change(distances, baseline_sizes=[20.0])
    assert change.shape == "step"
    assert years[20 + change.began] == 1899
    assert change.began_high - change.began_low <= 5
    study = drift_study(volume.tolist(), baseline=20, direction="down", run_length=930.0)
    assert study.signal_index is not None
    assert 1899 < years[20 + study.signal_index] <= 1905
    assert study.change is not None
    assert years[20 + study.change.began] == 1899
