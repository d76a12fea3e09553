"""The exact delays of the bound's own chart after good samples."""

import numpy as np
import pytest

from station.statistics.mixture import Mixture
from tests.benchmarks.cusum_run_lengths import cusum_run_length, cusum_threshold
from tests.benchmarks.run_lengths import run_lengths, shifted
from tests.benchmarks.steady_state import cusum_delay_after
from tests.benchmarks.usual_charts import USUAL, after_good_samples, limit_for


def test_without_good_samples_it_is_the_published_run_length() -> None:
    # One-sided, k 0.5, h 5, from the integral equation [calc].
    assert cusum_delay_after(0.5, 5.0, 1.0, 0) == pytest.approx(10.376, abs=1e-3)
    for shift in (0.5, 2.0):
        limit = cusum_threshold(shift / 2, 930.0)
        assert cusum_delay_after(shift / 2, limit, shift, 0) == pytest.approx(
            cusum_run_length(shift / 2, limit, shift)
        )


@pytest.mark.parametrize("shift", [0.5, 1.0])
def test_delays_after_good_samples_by_simulation(shift: float) -> None:
    limit = cusum_threshold(shift / 2, 930.0)
    found = run_lengths(
        Mixture("known", ((1.0,),), (shift,), (1.0,)),
        shift * limit,
        shifted((1.0,), shift, 60),
        courses=4000,
        seed=1,
        after=60,
        from_zero=True,
    )
    exact = cusum_delay_after(shift / 2, limit, shift, 60)
    assert found.mean == pytest.approx(exact, abs=4 * found.error)
    assert exact < cusum_delay_after(shift / 2, limit, shift, 0)


def test_a_chart_run_through_good_samples_loses_what_it_should() -> None:
    # 60 samples at one false alarm in 930: about exp(-60 / 930) of the courses are left.
    ewma = next(usual for usual in USUAL if usual.name == "EWMA 0.2")
    limit = limit_for(ewma, 930.0, courses=2000, seed=3)
    chart, left = after_good_samples(ewma, limit, 60, courses=4000, seed=2)
    assert left / 4000 == pytest.approx(np.exp(-60 / 930), abs=0.02)
    assert chart.update(np.zeros((2, left))).max() <= limit
