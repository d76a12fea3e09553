"""The charts that the wear watch is compared with are the published ones."""

from collections.abc import Callable

import numpy as np
import pytest

from tests.benchmarks.run_lengths import shifted, steady
from tests.benchmarks.usual_charts import (
    USUAL,
    Chart,
    CusumChart,
    EwmaChart,
    MovingRangeChart,
    first_passages,
    limit_for,
)

COURSES = 6000


class Mirrored:
    """Both sides of one score: the second score is the first, turned round."""

    def __init__(self, chart: Chart) -> None:
        self.chart = chart
        self.keep = chart.keep

    def update(self, scores: np.ndarray) -> np.ndarray:
        return self.chart.update(np.stack([scores[0], -scores[0]]))


@pytest.mark.parametrize(
    ("make", "limit", "shift", "expected"),
    [
        # Lucas & Saccucci, Technometrics 32 (1990), lambda 0.5, L 3.071, fixed limits [seen-1].
        (lambda n: EwmaChart(n, 0.5), 3.071, 0.0, 500.0),
        (lambda n: EwmaChart(n, 0.5), 3.071, 1.0, 17.5),
        (lambda n: EwmaChart(n, 0.5), 3.071, 2.0, 3.63),
        # Lucas & Crosier, Technometrics 24 (1982), k 0.5, h 4, two-sided [seen-1].
        (CusumChart, 4.0, 0.0, 168.0),
        (CusumChart, 4.0, 1.0, 8.38),
        # Individuals and moving range at 3 sigma together: 105.4 [calc].
        (MovingRangeChart, 1.0, 0.0, 105.4),
    ],
)
def test_published_run_lengths(
    make: Callable[[int], Chart], limit: float, shift: float, expected: float
) -> None:
    found = first_passages(
        Mirrored(make(COURSES)),
        np.array([limit]),
        shifted((1.0, 0.0), shift),
        courses=COURSES,
        seed=12,
    )
    error = found.std() / COURSES**0.5
    assert found.mean() == pytest.approx(expected, abs=4.0 * error + 0.005 * expected)


@pytest.mark.parametrize("usual", USUAL, ids=lambda usual: usual.name)
def test_limits_give_the_run_length_asked_for(usual: object) -> None:
    chart = next(chart for chart in USUAL if chart is usual)
    limit = limit_for(chart, 100.0, courses=4000, seed=2)
    found = first_passages(
        chart.make(4000), np.array([limit]), steady(2), courses=4000, seed=77
    ).mean()
    assert found == pytest.approx(100.0, rel=0.1)
