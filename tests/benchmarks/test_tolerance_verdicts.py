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


def test_what_cannot_be_shown_of_strays_is_said_until_the_count_shows_it() -> None:
    """59 of 59 show 95 % with 95 %, 58 do not; 299 show 99 % (success run [calc])."""
    for coverage, enough in ((0.95, 59), (0.99, 299)):
        for n, more in ((enough - 1, 1), (enough, 0)):
            values = np.random.default_rng(9).standard_normal(n).tolist()
            found = capability(values, -20.0, coverage=coverage)
            assert (found.verdict, found.more_for_strays) == ("pass", more)
    counted, all_of_them, _ = wrong(*strays(10.0), 10.0, 60, (0.95, 0.95), 2_000)
    assert counted == all_of_them < 0.05 + POINTS
