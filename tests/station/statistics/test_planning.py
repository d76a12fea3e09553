import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.statistics.capability import samples_needed, tolerance_factor
from station.statistics.planning import (
    chance_of_success_run,
    chance_to_pass,
    samples_for_chance,
)

CASES = [
    # n so far, margin in deviations, n in the end, coverage, confidence
    (5, 2.5, 30, 0.95, 0.95),
    (5, 3.5, 6, 0.95, 0.95),
    (5, 3.5, 7, 0.95, 0.95),
    (2, 4.0, 10, 0.90, 0.90),
    (20, 2.2, 30, 0.95, 0.95),
    # A coverage below one half: factor and margin may be negative, the arc comes round the circle.
    (10, -0.5, 30, 0.30, 0.90),
    (3, -0.3, 40, 0.20, 0.60),
]


@pytest.mark.parametrize(("n", "margin", "plan_n", "coverage", "confidence"), CASES)
def test_chance_against_plain_simulation(
    n: int, margin: float, plan_n: int, coverage: float, confidence: float
) -> None:
    # Draw the process that the samples allow, then the missing samples themselves, then judge all.
    rng = np.random.default_rng(4)
    courses, missing = 20_000, plan_n - n
    sigma = np.sqrt((n - 1) / rng.chisquare(n - 1, courses))
    mean = margin + sigma * rng.standard_normal(courses) / math.sqrt(n)
    new = mean[:, None] + sigma[:, None] * rng.standard_normal((courses, missing))
    total = (n * margin + new.sum(axis=1)) / plan_n
    squares = (n - 1) + n * margin**2 + (new**2).sum(axis=1) - plan_n * total**2
    factor = tolerance_factor(plan_n, coverage, confidence)
    passed = float(np.mean(total >= factor * np.sqrt(squares / (plan_n - 1))))
    chance = chance_to_pass(
        n, margin, 1.0, 0.0, plan_n, coverage=coverage, confidence=confidence
    )  # fmt: skip
    assert chance == pytest.approx(passed, abs=4 * math.sqrt(0.25 / courses))


@pytest.mark.parametrize("margin", [1.8, 2.5, 3.2])
def test_endless_plans_pass_with_the_confidence_of_today(margin: float) -> None:
    # With n without end the bound is the true quantile: the chance is the confidence at which
    # today's bound meets the limit, a noncentral t (scipy.stats as the reference). A confidence
    # of one half leaves the factor no margin of its own at 100,000.
    today = float(stats.nct.cdf(margin * math.sqrt(10), 9, stats.norm.ppf(0.95) * math.sqrt(10)))
    chance = chance_to_pass(10, margin, 1.0, 0.0, 100_000, confidence=0.5)
    assert chance == pytest.approx(today, abs=1e-4)


def test_one_missing_sample_by_hand() -> None:
    # The last sample x passes the plan where mean - k sd of all six is above 0: solve for x on a
    # grid, then Student's predictive distribution, mean 3.5, sd sqrt(1 + 1/5), 4 degrees.
    k = tolerance_factor(6, 0.95, 0.95)
    x = np.linspace(-20.0, 30.0, 200_001)
    mean = (5 * 3.5 + x) / 6
    sd = np.sqrt((4 + 5 * 3.5**2 + x**2 - 6 * mean**2) / 5)
    good = x[mean >= k * sd]
    low, high = ((end - 3.5) / math.sqrt(1.2) for end in (good[0], good[-1]))
    expected = stats.t.cdf(high, 4) - stats.t.cdf(low, 4)
    assert chance_to_pass(5, 3.5, 1.0, 0.0, 6) == pytest.approx(expected, abs=2e-4)


@given(st.integers(2, 40), st.integers(0, 200), st.floats(-3.0, 8.0), st.floats(0.1, 50.0))
def test_chance_is_a_chance_and_has_no_unit(
    n: int, missing: int, margin: float, unit: float
) -> None:
    chance = chance_to_pass(n, margin, 1.0, 0.0, n + missing)
    assert 0.0 <= chance <= 1.0
    same = chance_to_pass(n, 7.0 + unit * margin, unit, 7.0, n + missing)
    assert same == pytest.approx(chance, abs=1e-6) or missing == 0


@given(st.integers(3, 30), st.integers(1, 100), st.floats(-1.0, 5.0), st.floats(0.01, 2.0))
def test_a_better_mean_is_likelier_to_pass(
    n: int, missing: int, margin: float, better: float
) -> None:
    plain = chance_to_pass(n, margin, 1.0, 0.0, n + missing)
    assert chance_to_pass(n, margin + better, 1.0, 0.0, n + missing) >= plain - 1e-9


def test_with_nothing_missing_the_bound_decides() -> None:
    k = tolerance_factor(12, 0.95, 0.95)
    assert chance_to_pass(12, k + 1e-6, 1.0, 0.0, 12) == 1.0
    assert chance_to_pass(12, k - 1e-6, 1.0, 0.0, 12) == 0.0


def test_number_still_needed() -> None:
    # What would do if nothing changed is right about half of the time; 90 % takes more.
    plain = samples_needed(20, 2.3, 0.95, 0.95)
    likely = samples_for_chance(20, 46.0, 10.0, 23.0)
    assert plain is not None
    assert likely is not None
    assert likely > plain > 0
    assert chance_to_pass(20, 46.0, 10.0, 23.0, 20 + plain) == pytest.approx(0.5, abs=0.1)
    assert chance_to_pass(20, 46.0, 10.0, 23.0, 20 + likely) >= 0.9
    assert chance_to_pass(20, 46.0, 10.0, 23.0, 20 + likely - 1) < 0.9
    assert samples_for_chance(20, 60.0, 10.0, 23.0) == 0
    assert samples_for_chance(20, 40.0, 10.0, 23.0) is None


def test_success_run_follows_laplace() -> None:
    # Laplace's rule of succession [calc]: after 18 good ones the next is good with 19/20.
    assert chance_of_success_run(18, 19) == pytest.approx(19 / 20)
    assert chance_of_success_run(0, 59) == pytest.approx(1 / 60)
    assert chance_of_success_run(59, 59) == 1.0
    # scipy.stats: all 41 missing ones good, beta-binomial after 18 good ones.
    assert chance_of_success_run(18, 59) == pytest.approx(stats.betabinom.pmf(41, 41, 19, 1))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((1, 5.0, 1.0, 0.0, 9), "at least 2"),
        ((9, 5.0, 1.0, 0.0, 8), "already"),
        ((5, 5.0, 1.0, 0.0, 10**20), "at most"),
        ((5, 5.0, 0.0, 0.0, 9), "do not differ"),
        ((5, math.nan, 1.0, 0.0, 9), "finite"),
        ((5, 5.0, 1.0, math.inf, 9), "finite"),
    ],
)
def test_degenerate_input_is_refused(
    arguments: tuple[int, float, float, float, int], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        chance_to_pass(*arguments)


def test_impossible_chances_and_runs_are_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        samples_for_chance(5, 5.0, 1.0, 0.0, chance=1.0)
    with pytest.raises(ValueError, match="cannot be"):
        chance_of_success_run(6, 5)
