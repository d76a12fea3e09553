import numpy as np
import pymannkendall
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from station.statistics.trend import mann_kendall, sen_slope


def drawn(kind: str, n: int) -> tuple[np.ndarray, np.ndarray | None]:
    rng = np.random.default_rng(n)
    y = rng.standard_normal(n) + 0.01 * np.arange(n)
    if kind == "ties":
        return np.round(2.0 * y), None
    if kind == "offset":
        return y + 1e6, None
    if kind == "tied places":
        return y, np.round(rng.uniform(0.0, n / 2.0, n))
    return y, None


@pytest.mark.parametrize("kind", ["plain", "ties", "offset", "tied places"])
@pytest.mark.parametrize("n", [5, 30, 301, 1000])
def test_against_scipy(kind: str, n: int) -> None:
    y, x = drawn(kind, n)
    ours = sen_slope(y, x)
    slope, intercept, low, high = stats.theilslopes(y, x, 0.95)
    assert ours.slope == pytest.approx(slope, rel=1e-9, abs=1e-12)
    assert ours.low == pytest.approx(low, rel=1e-9, abs=1e-12)
    assert ours.high == pytest.approx(high, rel=1e-9, abs=1e-12)
    assert ours.intercept == pytest.approx(intercept, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("kind", ["plain", "ties", "offset"])
@pytest.mark.parametrize("n", [5, 30, 301, 1000])
def test_against_pymannkendall(kind: str, n: int) -> None:
    y, _ = drawn(kind, n)
    ours, theirs = mann_kendall(y), pymannkendall.original_test(y)
    assert ours.s == theirs.s
    assert ours.tau == pytest.approx(theirs.Tau, rel=1e-12)
    assert ours.z == pytest.approx(theirs.z, rel=1e-12)
    assert ours.p == pytest.approx(theirs.p, rel=1e-9, abs=1e-12)


small = st.lists(st.integers(-20, 20), min_size=3, max_size=25)


@settings(deadline=None)
@given(small)
def test_any_small_list_against_all_pairs(values: list[int]) -> None:
    y = np.array(values, dtype=float)
    pairs = [(y[j] - y[i]) / (j - i) for i in range(y.size) for j in range(i + 1, y.size)]
    assert sen_slope(y).slope == pytest.approx(float(np.median(pairs)), abs=1e-9)
    assert mann_kendall(y).s == int(np.sum(np.sign(pairs)))


@settings(deadline=None)
@given(small, st.floats(-50.0, 50.0), st.floats(0.1, 50.0))
def test_tilt_and_scale_are_followed(values: list[int], tilt: float, scale: float) -> None:
    y = np.array(values, dtype=float)
    moved = scale * y + tilt * np.arange(y.size)
    expected = scale * sen_slope(y).slope + tilt
    assert sen_slope(moved).slope == pytest.approx(expected, abs=1e-7)


def test_a_steady_trend_is_found_and_noise_is_not() -> None:
    rng = np.random.default_rng(5)
    noise = rng.standard_normal(200)
    assert mann_kendall(noise).p > 0.05
    assert mann_kendall(noise + 0.02 * np.arange(200)).p < 1e-6


def test_constant_values_have_no_trend() -> None:
    result = mann_kendall([3.0] * 10)
    assert (result.s, result.z, result.p) == (0, 0.0, 1.0)
    assert sen_slope([3.0] * 10).slope == 0.0


@pytest.mark.parametrize(
    ("y", "x", "says"),
    [
        ([1.0], None, "at least 2"),
        ([1.0, np.nan], None, "finite"),
        ([1.0, 2.0], [0.0], "2 values but 1 places"),
        ([1.0, 2.0], [3.0, 3.0], "all x are equal"),
    ],
)
def test_degenerate_input_is_refused(y: list[float], x: list[float] | None, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        sen_slope(y, x)


def test_two_values_are_too_few_for_a_test() -> None:
    with pytest.raises(ValueError, match="at least 3"):
        mann_kendall([1.0, 2.0])
