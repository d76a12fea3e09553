"""The wear watch: its ratios against numerical integration, its promise, what it finds."""

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from station.statistics.wear_watch import (
    CAP,
    KNOWN,
    SIZES,
    Values,
    WearFlag,
    evidence,
    samples_to_find,
    start_and_level,
    watch_nest,
    widening,
)


def watched(
    force: Values,
    resistance: Values | None = None,
    *,
    size: float = KNOWN,
    run_length: float = 930.0,
) -> WearFlag | None:
    """The flag of a nest of one joint; scores with bad directions up."""
    other = np.full(len(force), np.nan) if resistance is None else resistance
    worse = np.column_stack([force, other])
    return watch_nest(worse, [0] * len(force), [size], run_length=run_length)


@given(
    st.lists(st.floats(-3.0, 3.0), min_size=10, max_size=15),
    st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=8),
)
def test_the_ratios_are_those_of_an_unknown_mean_and_deviation(
    baseline: list[float], values: list[float]
) -> None:
    # scipy.integrate: over the deviation, the mean taken out in closed form, prior 1 / deviation.
    spread = np.std(baseline, ddof=1)
    if spread < 0.1:
        return
    x = (np.array(values) - np.mean(baseline)) / spread
    if np.abs(x).max() > CAP:
        return
    n, k = len(baseline) + x.size, x.size
    scored = np.append((np.array(baseline) - np.mean(baseline)) / spread, x)
    after = np.append(np.zeros(n - k), np.ones(k))

    def density(sigma: float, size: float) -> float:
        rest = scored / sigma - size * after
        squares = float(np.sum((rest - rest.mean()) ** 2))
        return float(sigma**-n * np.exp(-squares / 2.0 + (n - 1) / 2.0))

    exact = [
        scipy.integrate.quad(density, 0.2, 8.0, (size,), limit=200)[0] for size in (0.0, *SIZES)
    ]
    # One change at the first value only: the sum with a head start less the sum without.
    worse = np.column_stack([x, np.full(k, np.nan)])
    joints = np.zeros(k, dtype=np.intp)
    sums = [
        float(next(evidence(worse, joints, [n - k], head_start=head))[1][:, -1].sum())
        for head in (0.0, 1.0)
    ]
    assert sums[1] - sums[0] == pytest.approx(exact[1] / exact[0], rel=0.03)


def test_with_a_known_baseline_it_is_the_recursion_of_shiryaev_and_roberts() -> None:
    rng = np.random.default_rng(1)
    x = rng.standard_normal(40)
    rest = np.full(40, np.nan)
    blocks = evidence(
        np.column_stack([x, rest]), np.zeros(40, dtype=np.intp), [KNOWN], head_start=0.0
    )
    found = np.concatenate([sums.sum(axis=0) for _, sums in blocks])
    expected = np.zeros(len(SIZES))
    for place, value in enumerate(x):
        ratio = np.exp(np.array(SIZES) * value - np.array(SIZES) ** 2 / 2.0)
        expected = (1.0 + expected) * ratio
        # Older moments are thinned from an age of 32 on.
        assert found[place] == pytest.approx(expected.mean(), rel=1e-3 if place < 32 else 0.2)


@pytest.mark.parametrize("size", [20, KNOWN])
@pytest.mark.parametrize("both", [False, True])
def test_the_promise_holds_for_any_baseline(size: float, both: bool) -> None:
    head, level = start_and_level(100.0)
    rng = np.random.default_rng(4)
    values = rng.standard_normal((400, 2, 800))
    if size < KNOWN:
        baseline = rng.standard_normal((int(size), 2, 800))
        values = (values - baseline.mean(axis=0)) / baseline.std(axis=0, ddof=1)
    if not both:
        values[:, 1] = np.nan
    blocks = evidence(values, np.zeros(400, dtype=np.intp), [size], head_start=head, block=4)
    over = np.concatenate([sums.sum(axis=0) for _, sums in blocks]) > level
    lengths = np.where(over.any(axis=0), over.argmax(axis=0) + 1, 400)
    # Geometric with mean 100, cut at 400: 98. Standard error 3.3.
    assert 0.84 < lengths.mean() / 98.0 < 1.16


@pytest.mark.parametrize(
    ("shifts", "expected"),
    [((2.0, 0.0), "force"), ((0.0, 2.0), "resistance"), ((1.5, 1.5), "both")],
)
@pytest.mark.parametrize("size", [30, KNOWN])
def test_a_change_for_the_worse_is_flagged_and_named(
    shifts: tuple[float, float], expected: str, size: float
) -> None:
    scores = np.random.default_rng(11).standard_normal((2, 120))
    scores[:, 60:] += np.array(shifts)[:, None]
    flag = watched(scores[0], scores[1], size=size, run_length=5000.0)
    assert flag is not None
    assert flag.characteristic == expected
    assert 60 <= flag.signal_position < 80


def test_a_nest_that_was_never_as_good_as_its_validation_is_found() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(60):
        baseline = rng.standard_normal(30)
        worse = (rng.normal(1.0, 1.0, 100) - baseline.mean()) / baseline.std(ddof=1)
        flag = watched(worse, size=30, run_length=5000.0)
        found.append(100 if flag is None else flag.signal_position + 1)
    assert np.mean(found) < 28.0
    assert np.median(found) <= 14.0


def test_no_wear_is_seen_where_there_is_none() -> None:
    assert watched(np.full(200, -3.0), np.full(200, -3.0), run_length=50.0) is None
    assert watched(np.zeros(0)) is None
    assert watched(np.full(20, np.nan)) is None


def test_one_odd_crimp_does_not_flag_a_nest() -> None:
    scores = np.zeros(50)
    scores[25] = 40.0
    assert watched(scores) is None
    assert watched(scores, np.zeros(50)) is None


def test_missing_values_keep_their_places_and_no_evidence_gathers_in_them() -> None:
    force = np.array([np.nan, 0.0, np.nan, 3.0, np.nan, *[3.0] * 6])
    flag = watched(force)
    assert flag is not None
    assert flag.characteristic == "force"
    assert force[flag.signal_position] == 3.0
    # Resistance was measured once and never again.
    steady = np.random.default_rng(8).standard_normal(6000)
    once = np.full(6000, np.nan)
    once[5] = 0.3
    assert watched(np.clip(steady, -1.5, 1.5) - 0.3, once, run_length=1000.0) is None


def test_joints_are_scored_by_their_own_baselines() -> None:
    rng = np.random.default_rng(5)
    joints = rng.integers(0, 2, 160)
    # The second joint's baseline was bad luck: its samples lie off it all the time.
    force = rng.standard_normal(160) + np.where(joints == 1, 0.5, 0.0)
    force[100:] += 1.5
    worse = np.column_stack([force, np.full(160, np.nan)])
    flag = watch_nest(worse, joints, [KNOWN, 12], run_length=5000.0)
    assert flag is not None
    assert 100 <= flag.signal_position < 115


def test_what_is_forgotten_does_not_matter_much() -> None:
    # Moments are thinned and dropped between blocks: one long block keeps every one of them.
    worse = np.random.default_rng(6).standard_normal((600, 2))
    joints = np.zeros(600, dtype=np.intp)
    found, exact = (
        np.concatenate(
            [s.sum(axis=0) for _, s in evidence(worse, joints, [30], head_start=0.0, block=block)]
        )
        for block in (32, 600)
    )
    off = np.abs(np.log(found / exact))
    assert off.max() < 0.7
    assert off[exact > 20.0].max() < 0.07


def test_what_would_be_found_and_what_may_stay_unseen() -> None:
    assert samples_to_find(0.5, 30, 5000.0) is None
    found = [samples_to_find(size, 130, 5000.0) for size in (1.0, 2.0, 4.0)]
    assert found == [30, 7, 2]
    with pytest.raises(ValueError, match="at least 50"):
        samples_to_find(1.0, 130, 10.0)


@pytest.mark.parametrize(
    ("kind", "expected"),
    # In units of the whole variance: sums of three alike by a half vary twice as much, neighbours
    # with correlation 0.3 give 1.3 / 0.7.
    [("alike", 1.0), ("days", 3.0), ("neighbours", 1.86)],
)
def test_what_samples_of_one_sitting_have_in_common_is_learnt(kind: str, expected: float) -> None:
    rng = np.random.default_rng(2)
    worse = rng.standard_normal((6000, 2))
    if kind == "days":
        worse += np.repeat(rng.standard_normal((2000, 2)), 3, axis=0)
    if kind == "neighbours":
        for place in range(1, 6000):
            worse[place] = 0.3 * worse[place - 1] + 0.91**0.5 * worse[place]
    sittings = np.arange(6000) // 3
    found = widening(worse, sittings)
    # Half the variance is the day's: r is a half, and (1 + r) / (1 - r) is more than the truth, 2.
    assert found == pytest.approx([expected] * 2, rel=0.12)
    assert widening(worse[:57], sittings[:57]).tolist() == [1.0, 1.0]


def test_days_that_differ_do_not_flag_a_nest_once_they_are_known() -> None:
    rng = np.random.default_rng(3)
    sittings = np.arange(660) // 3
    head, level = start_and_level(930.0)
    flagged = {True: 0, False: 0}
    for _ in range(30):
        worse = rng.standard_normal((660, 2)) + np.repeat(rng.standard_normal((220, 2)), 3, axis=0)
        worse *= 0.5**0.5
        for known in flagged:
            blocks = evidence(
                worse,
                np.zeros(660, dtype=np.intp),
                [KNOWN],
                head_start=head,
                sittings=sittings if known else None,
            )
            over = np.concatenate([sums.sum(axis=0) for _, sums in blocks]) > level
            flagged[known] += bool(over[60:].any())
    # Promised: 1 - exp(-600 / 930) = 48 % of the nests; twice as often would be 72 %.
    assert flagged[False] > 25
    assert flagged[True] <= 22


def test_days_of_the_baseline_tell_how_much_days_differ() -> None:
    rng = np.random.default_rng(4)
    sittings = np.arange(120) // 3
    head, level = start_and_level(930.0)
    flagged = {True: 0, False: 0}
    for _ in range(40):
        worse = rng.standard_normal((120, 2)) + np.repeat(rng.standard_normal((40, 2)), 3, axis=0)
        worse *= 0.5**0.5
        before, watched = worse[:60], worse[60:]
        for known in flagged:
            blocks = evidence(
                watched,
                np.zeros(60, dtype=np.intp),
                [KNOWN],
                head_start=head,
                sittings=sittings if known else sittings[:60],
                before=before if known else None,
            )
            flagged[known] += any((sums.sum(axis=0) > level).any() for _, sums in blocks)
    # Promised: 6 % of the nests, twice that with the head start of a new one: 5 of these.
    assert flagged[False] >= 20
    assert flagged[True] <= 8
