"""The verdicts of the benchmark are those of the rule, and a plain normal bound would not hold."""

import numpy as np

from station.statistics.capability import capability, judged_bounds, tolerance_factor
from tests.benchmarks.tolerance_verdicts import POINTS, figures, shapes, strays, wrong


def test_claims_hold_in_a_short_run() -> None:
    assert figures(sets=400).holds


def test_a_plain_normal_bound_would_not_hold() -> None:
    rng = np.random.default_rng(7)
    draw, quantile = next(shape for name, shape, _ in shapes() if name == "Student 5")
    values = draw(rng, (2_000, 30))
    plain = values.mean(axis=1) - tolerance_factor(30, 0.99, 0.95) * values.std(axis=1, ddof=1)
    assert np.mean(plain > quantile(0.01)) > 0.05 + 4 * POINTS


def test_many_sets_are_judged_as_one_is() -> None:
    sets = np.random.default_rng(8).standard_t(4.0, (50, 25))
    together = np.max(judged_bounds(sets, 0.9, 0.9), axis=0)
    for values, bound in zip(sets, together, strict=True):
        alone = capability(values.tolist(), -3.0, coverage=0.9, confidence=0.9)
        assert (alone.verdict == "pass") == (bound >= -3.0)


def test_sets_without_a_stray_are_told_apart() -> None:
    counted, all_of_them, _ = wrong(*strays(10.0), 10.0, 30, (0.95, 0.95), 2_000)
    # 0.95 to the 30th is 21 % of sets without one [calc].
    assert counted < 0.01
    assert abs(all_of_them - 0.95**30) < 0.04
