import numpy as np
import pytest

from station.statistics.wear_mixtures import PAIR
from station.statistics.wear_watch import watch_nest


def test_a_steady_nest_is_not_flagged() -> None:
    rng = np.random.default_rng(2)
    scores = rng.standard_normal((2, 2000))
    watch = watch_nest(scores[0].tolist(), scores[1].tolist(), run_length=1e5)
    assert watch.flag is None
    assert watch.margin.shape == (2000,)


@pytest.mark.parametrize(
    ("force_shift", "resistance_shift", "expected"),
    [(-2.0, 0.0, "force"), (0.0, 2.0, "resistance"), (-1.5, 1.5, "both")],
)
def test_a_shift_for_the_worse_is_flagged_and_named(
    force_shift: float, resistance_shift: float, expected: str
) -> None:
    rng = np.random.default_rng(11)
    scores = rng.standard_normal((2, 120))
    scores[0, 60:] += force_shift
    scores[1, 60:] += resistance_shift
    flag = watch_nest(scores[0].tolist(), scores[1].tolist()).flag
    assert flag is not None
    assert flag.characteristic == expected
    assert 60 <= flag.signal_position < 80


def test_a_shift_for_the_better_is_no_wear() -> None:
    assert watch_nest([3.0] * 200, [-3.0] * 200, run_length=50.0).flag is None


def test_one_odd_crimp_does_not_flag_a_nest() -> None:
    scores = [0.0] * 50
    scores[25] = -40.0
    assert watch_nest(scores, [None] * 50, run_length=930.0).flag is None
    assert watch_nest(scores, [0.0] * 50, run_length=930.0).flag is None


def test_missing_values_keep_their_places() -> None:
    force: list[float | None] = [None, 0.0, None, -3.0, None, -3.0, -3.0, -3.0, -3.0]
    watch = watch_nest(force, [None] * len(force), run_length=1000.0)
    assert watch.flag is not None
    assert watch.flag.characteristic == "force"
    assert force[watch.flag.signal_position] == -3.0
    assert np.isneginf(watch.margin[[0, 2, 4]]).all()


def alarms(force_known: float, resistance_known: float, run_length: float, seed: int) -> float:
    """Mean run length of unchanged nests where each value is there with a probability."""
    rng = np.random.default_rng(seed)
    lengths = []
    for _ in range(700):
        scores = rng.standard_normal((2, int(40 * run_length)))
        there = rng.random(scores.shape) < np.array([[force_known], [resistance_known]])
        values = [
            [float(s) if known else None for s, known in zip(row, mask, strict=True)]
            for row, mask in zip(scores, there, strict=True)
        ]
        flag = watch_nest(values[0], values[1], run_length=run_length).flag
        assert flag is not None
        lengths.append(flag.signal_position + 1)
    return float(np.mean(lengths))


@pytest.mark.parametrize(
    ("force_known", "resistance_known"), [(1.0, 0.0), (0.0, 1.0), (1.0, 0.5), (0.3, 1.0)]
)
def test_false_alarms_are_as_rare_where_values_are_missing(
    force_known: float, resistance_known: float
) -> None:
    # Never more frequent than promised (standard error 4 %). Rarer where much is missing, since a
    # sample with one value moves fewer of the sums.
    found = alarms(force_known, resistance_known, 60.0, seed=9)
    assert 60.0 * 0.9 < found < 60.0 * 1.8


def test_the_margin_is_the_evidence_over_its_threshold() -> None:
    watch = watch_nest([0.0], [0.0], run_length=930.0)
    rest = PAIR.evidence(PAIR.sums([[0.0, 0.0]]))
    assert watch.margin == pytest.approx(rest - PAIR.threshold(930.0))


def test_an_empty_nest_has_no_flag() -> None:
    assert watch_nest([], []).flag is None
