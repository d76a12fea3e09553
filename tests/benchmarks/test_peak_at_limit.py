import json

import numpy as np
import pytest

from tests.benchmarks.peak_at_limit import TOPS, at_the_limit, figures
from tests.published import pulled_copper


def test_a_small_run_counts_every_cell() -> None:
    # So few pulls only show that it works; `python -m tests.benchmarks.peak_at_limit` measures.
    small = figures(pulls=1)
    cells = small.figures["cells"]
    assert isinstance(cells, dict)
    assert len(cells) == len(TOPS) * (4 * 3 * 3 + 3 * 2 * 3)
    assert json.loads(json.dumps(dict(small.figures))) == small.figures


@pytest.mark.parametrize("top", ["held, fast break", "copper, edge"])
def test_a_peak_at_its_limit_seldom_passes(top: str) -> None:
    rng = np.random.default_rng(11)
    seen = [at_the_limit(TOPS[top], 300.0, 0.003, 0.1, rng) for _ in range(120)]
    assert sum(passed for passed, *_ in seen) <= 8
    assert sum(covered for _, covered, *_ in seen) >= 110


def test_a_peak_in_smoothed_noise_seldom_passes_either() -> None:
    rng = np.random.default_rng(12)
    drawn = TOPS["held, slow break"]
    seen = [at_the_limit(drawn, 100.0, 0.005, 0.1, rng, 0.03) for _ in range(120)]
    assert sum(passed for passed, *_ in seen) <= 12
    assert sum(covered for _, covered, *_ in seen) >= 108


@pytest.mark.parametrize("shape", pulled_copper.SHAPES)
def test_pulled_copper_is_physical(shape: str) -> None:
    for seed in range(20):
        pull = pulled_copper.pull(shape, np.random.default_rng(seed))
        assert np.all(np.diff(pull.travel_mm) >= 0.0)
        assert pull.force_n.min() >= -1e-9
        # Annealed copper: at most 260 MPa (ASM Specialty Handbook) [memory] on the wire's area.
        area_mm2 = np.pi / 4.0 * (0.127 * 92.0 ** ((36 - pull.gauge) / 39.0)) ** 2
        assert pull.peak_n <= 260.0 * 1.05 * area_mm2


def test_a_slip_loses_its_share_and_climbs_back() -> None:
    rng = np.random.default_rng(3)
    pull = pulled_copper.slipped(pulled_copper.pull("edge", rng), 0.2, rng)
    falls = np.diff(pull.force_n)[: int(np.argmax(pull.force_n))]
    at = int(np.argmin(falls))
    assert falls[at] == pytest.approx(-0.2 * pull.force_n[at], rel=1e-6)
    assert pull.force_n[at + 2] == pytest.approx(pull.force_n[at])
