"""Straight lines through calibration points: coefficients, their covariance, what they predict.

Ordinary least squares with the scatter of the points as the measure of uncertainty, as in
JCGM 100:2008, example H.3: ``reading = intercept + slope * reference``.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from calibration.saying import say


@dataclass(frozen=True, slots=True)
class LineFit:
    """A fitted straight line.

    Attributes
    ----------
    intercept, slope
        In the unit of the readings, and readings per reference.
    u_intercept, u_slope, correlation
        Standard uncertainties and correlation coefficient of the two. For a line through zero the
        intercept is exactly 0 and the correlation None.
    residual_sd
        Standard deviation of the points about the line.
    dof
        Points less fitted coefficients.
    center
        Mean of the references, where the line is known best.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float | None
    residual_sd: float
    dof: int
    center: float
    residuals: tuple[float, ...]

    def predict(self, reference: float) -> tuple[float, float]:
        """Value of the line at a reference, and its standard uncertainty."""
        value = self.intercept + self.slope * reference
        if self.correlation is None:
            return value, abs(reference) * self.u_slope
        # About the centre, where slope and height are uncorrelated: no digits cancel.
        u_center = self.residual_sd / math.sqrt(len(self.residuals))
        return value, math.hypot(u_center, (reference - self.center) * self.u_slope)


def fit_line(reference: ArrayLike, reading: ArrayLike) -> LineFit:
    """Fit a straight line by ordinary least squares.

    Parameters
    ----------
    reference, reading
        Shape (n,), n at least 3.

    Raises
    ------
    ValueError
        Fewer than three points, values that are not finite, or all references equal.
    """
    x, y = _points(reference, reading, least=3)
    center, height = float(x.mean()), float(y.mean())
    dx, dy = x - center, y - height
    sum_of_squares = float(dx @ dx)
    if sum_of_squares == 0.0:
        raise ValueError(say("all reference values are equal: no line can be fitted"))
    slope = float(dx @ dy) / sum_of_squares
    residuals = dy - slope * dx
    dof = x.size - 2
    sd = math.sqrt(float(residuals @ residuals) / dof)
    u_slope = sd / math.sqrt(sum_of_squares)
    u_intercept = math.hypot(sd / math.sqrt(x.size), center * u_slope)
    correlation = -center * u_slope / u_intercept if u_intercept > 0.0 else 0.0
    return LineFit(
        height - slope * center,
        slope,
        u_intercept,
        u_slope,
        correlation,
        sd,
        int(dof),
        center,
        tuple(residuals.tolist()),
    )


def fit_through_zero(reference: ArrayLike, reading: ArrayLike) -> LineFit:
    """Fit a line that is forced through zero: a pure scale factor.

    Parameters
    ----------
    reference, reading
        Shape (n,), n at least 2.

    Raises
    ------
    ValueError
        Fewer than two points, values that are not finite, or all references zero.
    """
    x, y = _points(reference, reading, least=2)
    sum_of_squares = float(x @ x)
    if sum_of_squares == 0.0:
        raise ValueError("all reference values are zero: no scale can be fitted")
    slope = float(x @ y) / sum_of_squares
    residuals = y - slope * x
    dof = x.size - 1
    sd = math.sqrt(float(residuals @ residuals) / dof)
    return LineFit(
        0.0,
        slope,
        0.0,
        sd / math.sqrt(sum_of_squares),
        None,
        sd,
        int(dof),
        float(x.mean()),
        tuple(residuals.tolist()),
    )


def curvature_p(line: LineFit, reference: ArrayLike) -> float | None:
    """Probability that a straight line leaves so much of a square term in its residuals.

    The t test of the quadratic coefficient. None where points or different references are too few
    to know, or where all points lie on the line.
    """
    x = np.asarray(reference, dtype=np.float64)
    free = 0 if line.correlation is None else 1
    if line.dof < 2 or np.unique(x).size < 3 or not _scatters(line, x):
        return None
    unit = np.abs(x - line.center).max() or 1.0
    # About the centre, or zero where the line goes through it: no digits cancel.
    u = (x - line.center * free) / unit
    fitted = np.column_stack([np.ones_like(u), u] if free else [u])
    square = u**2 - fitted @ np.linalg.lstsq(fitted, u**2, rcond=None)[0]
    residuals = np.asarray(line.residuals)
    gained = float(square @ residuals) ** 2 / float(square @ square)
    return _f_p(gained, 1, float(residuals @ residuals) - gained, line.dof - 1)


def lack_of_fit_p(line: LineFit, reference: ArrayLike) -> float | None:
    """Probability that the means at each reference scatter so much about a line that is straight.

    The F test of lack of fit against the scatter of repeats (pure error). None without repeats, or
    where the references are as few as the coefficients.
    """
    x, residuals = np.asarray(reference, dtype=np.float64), np.asarray(line.residuals)
    at, group = np.unique(x, return_inverse=True)
    repeats = residuals.size - at.size
    degrees = line.dof - repeats
    if repeats < 1 or degrees < 1 or not _scatters(line, x):
        return None
    means = np.bincount(group, residuals) / np.bincount(group)
    pure = float(np.sum((residuals - means[group]) ** 2))
    return _f_p(float(residuals @ residuals) - pure, degrees, pure, repeats)


def _scatters(line: LineFit, x: NDArray[np.float64]) -> bool:
    """False where residuals are nothing but rounding."""
    return line.residual_sd > 1e-12 * float(np.abs(line.intercept + line.slope * x).max())


def _f_p(explained: float, degrees: int, left: float, left_degrees: int) -> float:
    if left <= 0.0:
        return 0.0
    return float(fdtrc(degrees, left_degrees, explained / degrees * left_degrees / left))


def _points(
    reference: ArrayLike, reading: ArrayLike, *, least: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x = np.asarray(reference, dtype=np.float64)
    y = np.asarray(reading, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"{x.size} references but {y.size} readings")
    if x.size < least:
        raise ValueError(
            say("a line needs at least {least} points, not {size}", least=least, size=x.size)
        )
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError(say("a reference or reading is not a finite number"))
    return x, y
