import numpy as np
import pytest

from station.statistics.pooling import baseline_of, pooled_scores
from tests.benchmarks.baseline_alarms import plain_scores, self_starting_scores


def test_many_nests_at_once_are_scored_as_the_station_scores_one() -> None:
    rng = np.random.default_rng(1)
    baseline, values = rng.normal(5.0, 0.3, (20, 4)), rng.normal(5.0, 0.3, (60, 4))
    many = self_starting_scores(baseline, values)
    for nest in range(4):
        known = {"joint": baseline_of(baseline[:, nest].tolist())}
        one = pooled_scores(values[:, nest].tolist(), ["joint"] * 60, known)
        assert many[:, nest] == pytest.approx(one, abs=1e-9)
    assert plain_scores(baseline, values).shape == values.shape
