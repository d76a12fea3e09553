import re
from importlib import resources

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given
from hypothesis import strategies as st

from calibration.fits import curvature_p, fit_line, fit_through_zero, lack_of_fit_p

# JCGM 100:2008, example H.3, thermometer calibration: data [seen-3].
H3_T_C = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B_C = [
    -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
]  # fmt: skip


def test_gum_h3_thermometer() -> None:
    # Printed: -0.1712 (0.0029), 0.00218 (0.00067), r -0.930, at 30 °C -0.1494 (0.0041), 9 degrees
    # of freedom [seen-1]; further digits computed independently [calc].
    fit = fit_line(np.array(H3_T_C) - 20.0, H3_B_C)
    assert fit.intercept == pytest.approx(-0.17120379, abs=1e-8)
    assert fit.u_intercept == pytest.approx(0.00287760, abs=1e-8)
    assert fit.slope == pytest.approx(0.00218270, abs=1e-8)
    assert fit.u_slope == pytest.approx(0.00066794, abs=1e-8)
    assert fit.correlation == pytest.approx(-0.9304296, abs=1e-7)
    assert fit.residual_sd == pytest.approx(0.00349756, abs=1e-8)
    assert fit.dof == 9
    value, u = fit.predict(10.0)
    assert value == pytest.approx(-0.14937681, abs=1e-8)
    assert u == pytest.approx(0.00413860, abs=1e-8)


def test_nist_strd_norris_to_nine_digits() -> None:
    # NIST StRD Norris, the file that SciPy ships with its certified values [primary].
    data = resources.files("scipy.stats.tests.data") / "nist_linregress" / "Norris.dat"
    text = data.read_text()
    rows = [line.split() for line in text.splitlines()[60:] if line.strip()]
    y, x = np.array(rows, dtype=float).T
    fit = fit_line(x, y)
    certified = [float(v) for v in re.findall(r"B[01]\s+(-?\d+\.\d+)", text)]
    assert fit.intercept == pytest.approx(certified[0], rel=1e-9)
    assert fit.slope == pytest.approx(certified[1], rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_through_zero_by_hand() -> None:
    fit = fit_through_zero([1.0, 2.0, 3.0], [2.0, 4.1, 5.9])
    assert fit.slope == pytest.approx((2.0 + 8.2 + 17.7) / 14.0)
    assert fit.predict(0.0) == (0.0, 0.0)
    assert fit.correlation is None


@given(
    st.floats(-5, 5),
    st.floats(-5, 5),
    st.lists(st.floats(-100, 100), min_size=3, max_size=30, unique=True),
)
def test_points_on_a_line_are_found(intercept: float, slope: float, x: list[float]) -> None:
    assume(max(x) - min(x) > 1e-3)
    fit = fit_line(x, intercept + slope * np.array(x))
    value, _ = fit.predict(7.0)
    assert value == pytest.approx(intercept + slope * 7.0, abs=1e-4)


def test_digits_survive_a_large_offset() -> None:
    # In the manner of StRD NumAcc: the same line, a million away.
    x = np.arange(11.0)
    y = 0.5 * x + np.array([0.1, -0.1] * 5 + [0.1])
    near, far = fit_line(x, y), fit_line(x + 1e6, y + 1e6)
    assert far.slope == pytest.approx(near.slope, rel=1e-9)
    assert far.residual_sd == pytest.approx(near.residual_sd, rel=1e-8)
    assert far.predict(1e6 + 5.0)[1] == pytest.approx(near.predict(5.0)[1], rel=1e-8)


def test_a_point_off_the_line_shows_in_its_residual() -> None:
    fit = fit_line([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0])
    assert list(fit.residuals) == [0.0] * 4
    fit = fit_line([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.0, 2.5, 3.0, 4.0])
    assert max(fit.residuals) > 1.5 * fit.residual_sd


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        ([1.0, 2.0], [1.0, 2.0], "at least 3"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], "all reference values are equal"),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 3.0], "finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], "3 references but 2"),
    ],
)
def test_impossible_points_are_refused(x: list[float], y: list[float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        fit_line(x, y)


@pytest.mark.parametrize("through_zero", [False, True])
@pytest.mark.parametrize("bend", [0.0, 0.002, 0.02])
def test_curvature_and_lack_of_fit_against_statsmodels(bend: float, through_zero: bool) -> None:
    # Reference: F tests of nested least-squares models in statsmodels.
    x = np.repeat([1.0, 2.0, 5.0, 10.0, 20.0], [3, 2, 1, 3, 2])
    noise = np.random.default_rng(6).standard_normal(x.size)
    y = 3.0 * x + bend * x**2 + 0.3 * noise + (0.0 if through_zero else 7.0)
    line = (fit_through_zero if through_zero else fit_line)(x, y)
    straight = np.column_stack([x] if through_zero else [np.ones_like(x), x])
    small = sm.OLS(y, straight).fit()
    square = sm.OLS(y, np.column_stack([straight, x**2])).fit()
    groups = sm.OLS(y, (x[:, None] == np.unique(x)).astype(float)).fit()
    assert curvature_p(line, x) == pytest.approx(square.compare_f_test(small)[1], rel=1e-6)
    assert lack_of_fit_p(line, x) == pytest.approx(groups.compare_f_test(small)[1], rel=1e-6)


def test_what_too_few_points_cannot_show_is_none() -> None:
    x, y = [1.0, 2.0, 3.0], [1.0, 2.1, 2.9]
    assert curvature_p(fit_line(x, y), x) is None
    assert lack_of_fit_p(fit_line(x, y), x) is None
    x, y = [1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 2.0, 2.2]
    assert curvature_p(fit_line(x, y), x) is None
    assert lack_of_fit_p(fit_line(x, y), x) is None
    x, y = [1.0, 2.0, 3.0, 4.0], [2.0, 4.0, 6.0, 8.0]
    assert curvature_p(fit_through_zero(x, y), x) is None


def test_straight_points_are_seldom_called_curved() -> None:
    rng = np.random.default_rng(9)
    x = np.repeat([5.0, 20.0, 50.0, 80.0, 100.0], 2)
    found = []
    for _ in range(1000):
        line = fit_line(x, 2.0 * x + rng.standard_normal(x.size))
        found.append([curvature_p(line, x), lack_of_fit_p(line, x)])
    # Four standard errors of 5 % of 1,000.
    assert np.mean(np.array(found) < 0.05, axis=0) == pytest.approx(0.05, abs=0.028)
