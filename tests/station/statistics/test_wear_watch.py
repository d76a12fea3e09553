import numpy as np
import pytest

from station.statistics.drift import cusum_threshold
from station.statistics.wear_watch import REFERENCE, watch_nest


def test_a_steady_nest_is_not_flagged() -> None:
    rng = np.random.default_rng(2)
    scores = rng.standard_normal((2, 2000))
    assert watch_nest(scores[0].tolist(), scores[1].tolist()).flag is None


@pytest.mark.parametrize(
    ("force_shift", "resistance_shift", "expected"),
    [(-2.5, 0.0, "force"), (0.0, 2.5, "resistance")],
)
def test_a_shift_for_the_worse_is_flagged_and_dated(
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
    assert 50 <= flag.change_began_position <= 66


def test_a_shift_for_the_better_is_no_wear() -> None:
    better = [3.0] * 50
    assert watch_nest(better, [-3.0] * 50).flag is None


def test_one_odd_crimp_does_not_flag_a_nest() -> None:
    scores = [0.0] * 50
    scores[25] = -40.0
    assert watch_nest(scores, [None] * 50).flag is None


def test_missing_values_keep_their_places() -> None:
    force: list[float | None] = [None, 0.0, None, -3.0, None, -3.0, -3.0, -3.0, -3.0]
    watch = watch_nest(force, [None] * len(force), run_length=1000.0)
    assert watch.force_positions == (1, 3, 5, 6, 7, 8)
    assert watch.flag is not None
    assert watch.flag.change_began_position == 3
    assert watch.force.threshold == pytest.approx(cusum_threshold(REFERENCE, 1000.0))
