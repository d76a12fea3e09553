import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from station.statistics.comparison import SampleGroup, chance_above, compare, welch

PERMEABILITY = (
    [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46],
    [1.15, 0.88, 0.90, 0.74, 1.21],
)
"""Hollander & Wolfe, Nonparametric Statistical Methods, permeability: data [memory]."""

PAIN = ([3, 3, 4, 3, 1, 2, 3, 1, 1, 5, 4], [1, 2, 1, 1, 1, 1, 1, 1, 1, 1, 2, 4, 1, 1])
"""Pain scores of Brunner & Munzel 2000, as scipy's documentation has them [seen-1]."""


def drawn(
    n: int, m: int, *, shift: float = 0.0, spread: float = 1.0, seed: int = 1
) -> tuple[list[float], list[float]]:
    rng = np.random.default_rng(seed)
    return (shift + spread * rng.standard_normal(n)).tolist(), rng.standard_normal(m).tolist()


def test_two_makes_of_cars() -> None:
    # NIST/SEMATECH handbook, two-sample t test, miles per gallon, unequal variances: printed
    # T -12.94627 and 136.8750 degrees of freedom [memory], equal to the recomputation [calc].
    first = SampleGroup(249, 20.14458, 6.414700, 20.0)
    second = SampleGroup(79, 30.48101, 6.107710, 30.0)
    difference, dof = welch(first, second, confidence=0.95)
    assert dof == pytest.approx(136.8750, abs=1e-4)
    assert difference.low is not None
    error = (difference.value - difference.low) / stats.t.ppf(0.975, dof)
    assert difference.value / error == pytest.approx(-12.94627, abs=1e-5)


@pytest.mark.parametrize(
    ("n", "m", "shift", "spread"), [(5, 9, 1, 1), (30, 12, 0, 4), (2, 2, 3, 1)]
)
def test_welch_against_scipy(n: int, m: int, shift: float, spread: float) -> None:
    first, second = drawn(n, m, shift=shift, spread=spread)
    result = compare(first, second, confidence=0.9)
    expected = stats.ttest_ind(first, second, equal_var=False)
    interval = expected.confidence_interval(0.9)
    assert result.difference.p == pytest.approx(expected.pvalue)
    assert result.dof == pytest.approx(expected.df)
    assert (result.difference.low, result.difference.high) == pytest.approx(tuple(interval))


def test_permeability_of_two_tissues() -> None:
    # Hollander & Wolfe print estimate 0.305, interval -0.15 to 0.76 at 96.0 % [memory].
    typical = compare(*PERMEABILITY).typical_difference
    assert typical.value == pytest.approx(0.305)
    assert (typical.low, typical.high) == pytest.approx((-0.15, 0.76))


def test_pain_scores() -> None:
    # scipy's documentation: statistic 3.1374675, p 0.0057862 [seen-1]; that of the R package
    # lawstat: chance 0.788961, plain interval 0.5952169 to 0.9827052 [memory]. Ours is taken
    # on the log odds: back on them, it is the same standard error.
    chance = compare(*PAIN).chance_above
    assert chance.value == pytest.approx(0.788961, abs=5e-7)
    assert chance.p == pytest.approx(0.0057862086661515377)
    assert chance.low is not None
    odds = [math.log(share / (1.0 - share)) for share in (chance.low, chance.value)]
    half = (odds[1] - odds[0]) * chance.value * (1.0 - chance.value)
    assert chance.value - half == pytest.approx(0.5952169, abs=1e-6)
    assert chance.value + half == pytest.approx(0.9827052, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_chance_against_scipy(seed: int) -> None:
    first, second = drawn(14, 9, shift=0.5, spread=2.0, seed=seed)
    first, second = np.round(first, 1).tolist(), np.round(second, 1).tolist()
    chance = compare(first, second).chance_above
    assert chance.p == pytest.approx(stats.brunnermunzel(first, second).pvalue)
    u = stats.mannwhitneyu(first, second).statistic
    assert chance.value == pytest.approx(u / (14 * 9))


def test_ratio_of_spreads_by_hand() -> None:
    # Upper 2.5 % of F with 9 and 9 degrees of freedom is 4.026 in any table of F [memory];
    # scipy.stats agrees [calc].
    rng = np.random.default_rng(4)
    a, b = rng.standard_normal((2, 10))
    a, b = 3.0 * (a - a.mean()) / a.std(ddof=1), 2.0 * (b - b.mean()) / b.std(ddof=1)
    ratio = compare(a.tolist(), b.tolist()).spread_ratio
    assert ratio is not None
    assert ratio.value == pytest.approx(1.5)
    assert (ratio.low, ratio.high) == pytest.approx(
        (1.5 / math.sqrt(4.026), 1.5 * math.sqrt(4.026)), rel=1e-4
    )
    assert ratio.p == pytest.approx(2 * stats.f.sf(2.25, 9, 9))


@pytest.mark.parametrize(("n", "m", "spread"), [(8, 8, 1.0), (10, 25, 2.0), (15, 10, 3.0)])
def test_intervals_keep_their_word(n: int, m: int, spread: float) -> None:
    rng = np.random.default_rng(7)
    truth = {
        "difference": 1.0, "chance_above": stats.norm.cdf(1.0 / math.hypot(1.0, spread)),
        "spread_ratio": spread,
    }  # fmt: skip
    held = dict.fromkeys(truth, 0)
    for _ in range(600):
        a, b = 1.0 + spread * rng.standard_normal(n), rng.standard_normal(m)
        result = compare(a.tolist(), b.tolist())
        for name, true in truth.items():
            estimate = getattr(result, name)
            held[name] += estimate.low <= true <= estimate.high
    # Stated 95 %, counting error 0.9 %; that of the chance is wide with few values.
    assert all(held[name] / 600 == pytest.approx(0.95, abs=0.03) for name in held if name[0] != "c")
    assert 0.93 <= held["chance_above"] / 600 <= 1.0


values = st.lists(st.floats(-100.0, 100.0).map(lambda x: round(x, 3)), min_size=2, max_size=15)


@given(values, values)
def test_swapping_the_groups_turns_every_answer(first: list[float], second: list[float]) -> None:
    if len(set(first)) == 1 and len(set(second)) == 1:
        return
    one, other = compare(first, second), compare(second, first)
    assert one.difference.value == pytest.approx(-other.difference.value)
    assert one.typical_difference.value == pytest.approx(-other.typical_difference.value)
    assert one.chance_above.value == pytest.approx(1.0 - other.chance_above.value)
    assert one.chance_above.low is not None
    assert other.chance_above.high is not None
    assert one.chance_above.low == pytest.approx(1.0 - other.chance_above.high, abs=1e-9)
    assert 0.0 <= one.chance_above.low <= one.chance_above.value


def test_groups_apart_have_an_honest_interval() -> None:
    # Nothing overlaps: three disjoint pairs, all alike, show no more than 0.025 ** (1/3).
    chance = chance_above(np.array([5.0, 6.0, 7.0]), np.array([1.0, 2.0, 3.0]), confidence=0.95)
    assert (chance.value, chance.high, chance.p) == (1.0, 1.0, None)
    assert chance.low == pytest.approx(0.025 ** (1 / 3))


def test_large_offsets_keep_their_digits() -> None:
    # In the manner of StRD NumAcc: a million away, the answers stay.
    first, second = [0.1, 0.2, 0.4] * 20, [0.2, 0.3, 0.4] * 20
    near = compare(first, second)
    far = compare([1e6 + x for x in first], [1e6 + x for x in second])
    assert far.difference.p == pytest.approx(near.difference.p, rel=1e-6)
    assert far.typical_difference.value == pytest.approx(near.typical_difference.value, abs=1e-9)
    assert far.spread_ratio is not None
    assert near.spread_ratio is not None
    assert far.spread_ratio.value == pytest.approx(near.spread_ratio.value, rel=1e-8)


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ([1.0], [1.0, 2.0], "1 values: a comparison needs at least 2"),
        ([1.0, 2.0], [], "second has 0 values"),
        ([3.0, 3.0], [4.0, 4.0, 4.0], "all equal"),
        ([1.0, math.nan], [1.0, 2.0], "finite"),
        ([1.0, 2.0], [1.0, math.inf], "finite"),
        ([1.0, 1e200], [1.0, 2.0], "too large"),
    ],
)
def test_degenerate_input_is_refused(first: list[float], second: list[float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        compare(first, second)


def test_an_impossible_confidence_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence"):
        compare([1.0, 2.0], [1.0, 2.0], confidence=1.0)


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ([4.0, 4.0, 4.0], [1.0, 2.0, 4.5], "All values of first are equal"),
        ([1.0, 2.0, 3.0], [1.5, 2.5, 3.5], "too small for an interval"),
        ([1.0, 1.0, 2.0, 2.0], [1.0, 2.0, 2.0, 1.0], "resolution"),
        ([9.0, 10.0, 11.0, 10.0, 9.5, 30.0], [9.0, 10.0, 11.0, 9.4, 9.7], "lies far"),
        ([444.0, 445.0, 446.0, 444.4], [100.0, 101.0, 99.0, 100.4], "pounds and newtons"),
        ([0.21, 0.22, 0.25, 0.24], [210.0, 220.0, 240.0, 251.0], "ohms and milliohms"),
    ],
)
def test_doubts_are_said_and_nothing_is_dropped(
    first: list[float], second: list[float], says: str
) -> None:
    result = compare(first, second)
    assert any(says in warning for warning in result.warnings)
    assert [group.n for group in result.groups] == [len(first), len(second)]


def test_skewed_values_and_disagreeing_answers_are_said() -> None:
    rng = np.random.default_rng(2)
    skewed = rng.standard_exponential(60).tolist()
    result = compare(skewed, rng.standard_normal(60).tolist())
    assert any("first do not look normal" in warning for warning in result.warnings)
    odd = [10.0, 10.1, 10.2, 10.3, 10.4, 10.5, 10.6, 10.7, 60.0]
    result = compare(odd, [9.0, 9.1, 9.2, 9.3, 9.4, 9.5, 9.6, 9.7])
    assert result.higher is None
    assert any("disagree" in warning for warning in result.warnings)


def test_which_group_is_higher() -> None:
    first, second = drawn(20, 20, shift=3.0)
    assert compare(first, second).higher == 0
    assert compare(second, first).higher == 1
