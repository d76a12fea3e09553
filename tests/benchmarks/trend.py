"""Growth of Sen's slope: ``python -m tests.benchmarks.trend``.

Times the slope with its interval from 6,250 to 100,000 samples in one run, by processor time. Holds
when a doubling costs on average at most 2.6 times as much (n log n: 2.2, n squared: 4) and
the answer equals that of scipy at a size scipy can do.
"""

import time
from itertools import pairwise

import numpy as np
from scipy import stats

from station.statistics.trend import sen_slope
from tests.benchmarks.report import Figures, run

SIZES = (6_250, 12_500, 25_000, 50_000, 100_000)
MOST_PER_DOUBLING = 2.6


def figures(sizes: tuple[int, ...] = SIZES) -> Figures:
    """Ratios of processor time from one size to the next, and the difference to scipy."""
    rng = np.random.default_rng(1)
    table: dict[str, float] = {}
    spent = []
    for n in sizes:
        y = rng.standard_normal(n) + 1e-4 * np.arange(n)
        began = time.process_time()
        sen_slope(y)
        spent.append(time.process_time() - began)
    ratios = [later / earlier for earlier, later in pairwise(spent)]
    for n, ratio in zip(sizes[1:], ratios, strict=True):
        table[f"time for {n} samples over half as many"] = ratio
    y = rng.standard_normal(2000) + 1e-3 * np.arange(2000)
    ours, theirs = sen_slope(y), stats.theilslopes(y, alpha=0.95)
    differences = [ours.slope - theirs[0], ours.low - theirs[2], ours.high - theirs[3]]
    table["largest difference to scipy at 2000"] = float(np.max(np.abs(differences)))
    # The mean over all doublings: one of them alone may fall on a full cache.
    mean_ratio = (spent[-1] / spent[0]) ** (1.0 / len(ratios))
    table["mean per doubling"] = mean_ratio
    holds = mean_ratio <= MOST_PER_DOUBLING and np.allclose(differences, 0.0, atol=1e-12)
    return Figures("trend", table, bool(holds))


if __name__ == "__main__":
    run(figures)
