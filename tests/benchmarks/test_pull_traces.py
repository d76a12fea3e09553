import json

import numpy as np
import pytest

from station.crimp.pull.reduce import FAILURE_MODES
from tests.benchmarks.drawn_pulls import draw_pull
from tests.benchmarks.pull_traces import Tally, figures


def test_a_small_run_holds() -> None:
    # So few pulls only show that it works; `python -m tests.benchmarks.pull_traces` measures.
    small = figures(pulls=600, seed=5)
    assert small.holds
    assert json.loads(json.dumps(dict(small.figures))) == small.figures


def test_every_pull_is_counted_once() -> None:
    tally = Tally()
    for seed in range(3):
        for mode in FAILURE_MODES:
            tally.add(draw_pull(np.random.default_rng(seed), mode, truncated_share=0.0))
    tally.add(draw_pull(np.random.default_rng(1), "drawn_out", truncated_share=1.0))
    counted = tally.figures().figures
    assert counted["pulls read to their end"] == 21
    for mode in FAILURE_MODES:
        read_as = counted[f"{mode} read as"]
        assert isinstance(read_as, dict)
        assert sum(read_as.values()) == 3
        assert counted[f"recall of {mode} %"] == pytest.approx(100.0 * read_as.get(mode, 0) / 3)
    assert counted["cut-off recordings called void %"] == 100.0
