"""The benchmark of the stray watch, made short."""

import numpy as np

from tests.benchmarks.strays import named, nests


def test_strays_are_named_and_calm_nests_are_not() -> None:
    found = named(nests(30, 200, 200, 1, share=0.1), 30)
    # Nine nests in ten within 120 samples; three standard errors are 6 points.
    assert np.mean(found <= 120) >= 0.84
    assert np.mean(np.isfinite(named(nests(30, 250, 200, 2), 30))) <= 0.02


def test_longer_tails_than_normal_keep_the_promise() -> None:
    worse = nests(30, 250, 100, 3, kind=("Student", 5.0))
    # 4.9 % promised; three standard errors are 6.5 points.
    assert np.mean(np.isfinite(named(worse, 30))) <= 0.115
