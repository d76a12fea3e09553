import numpy as np
import pytest

from station.statistics.charts import cusum
from tests.benchmarks.cusum_run_lengths import cusum_run_length, cusum_threshold

# One-sided scheme, k 0.5 and h 5: exact run lengths at shifts in sigma, computed independently
# [calc]; two-sided in control 465, as Lucas & Crosier 1982 print it [seen-1].
RUN_LENGTHS_H5 = {0.0: 930.887, 0.5: 38.010, 1.0: 10.376, 2.0: 4.009}

# Two-sided scheme, k 0.5 and h 4, printed by Lucas & Crosier, Technometrics 24 (1982) [seen-1],
# for shifts where the far side plays no part.
LUCAS_CROSIER_H4 = {1.0: 8.38, 1.5: 4.75, 2.0: 3.34, 3.0: 2.19}


@pytest.mark.parametrize(("shift", "expected"), RUN_LENGTHS_H5.items())
def test_run_lengths_of_the_one_sided_scheme(shift: float, expected: float) -> None:
    assert cusum_run_length(0.5, 5.0, shift) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(("shift", "expected"), LUCAS_CROSIER_H4.items())
def test_run_lengths_against_lucas_and_crosier(shift: float, expected: float) -> None:
    assert cusum_run_length(0.5, 4.0, shift) == pytest.approx(expected, abs=0.006)


def test_in_control_two_sided_run_length_against_lucas_and_crosier() -> None:
    # Two equal one-sided schemes that cannot signal together: 1/L = 1/L+ + 1/L-.
    # Lucas & Crosier 1982 print 168 [seen-1].
    assert cusum_run_length(0.5, 4.0) / 2.0 == pytest.approx(168, abs=0.5)


@pytest.mark.parametrize("run_length", [100.0, 930.0, 100_000.0])
def test_threshold_gives_the_run_length_asked_for(run_length: float) -> None:
    threshold = cusum_threshold(0.5, run_length)
    assert cusum_run_length(0.5, threshold) == pytest.approx(run_length, rel=1e-6)


def test_run_length_by_simulation() -> None:
    rng = np.random.default_rng(7)
    threshold = cusum_threshold(0.75, 60.0)
    lengths = []
    for _ in range(1500):
        above = np.flatnonzero(cusum(rng.standard_normal(1500), 0.75) > threshold)
        lengths.append(above[0] + 1)
    # Standard error of the mean is about 60/sqrt(1500) = 1.5.
    assert np.mean(lengths) == pytest.approx(60.0, abs=5.0)


def test_published_cusum_example() -> None:
    # NIST/SEMATECH handbook 6.3.2.3, table [seen-5]: target 325, k 0.3175, h 4.1959,
    # first signal at sample 14 on the upper side; printed sums are rounded, tolerance 0.006.
    x = [
        324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
        324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
    ]  # fmt: skip
    printed = [0.0, 0.0, 0.0, 0.0, 0.03, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.01, 4.94, 7.45,
               10.63, 11.99, 14.44, 16.0, 19.04]  # fmt: skip
    sums = cusum([value - 325.0 for value in x], 0.3175)
    assert sums == pytest.approx(printed, abs=0.006)
    assert np.flatnonzero(sums > 4.1959)[0] == 13


def test_impossible_schemes_are_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        cusum_run_length(0.5, 0.0)
    with pytest.raises(ValueError, match="at least 2"):
        cusum_threshold(0.5, 1.0)
