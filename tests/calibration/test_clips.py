"""The re-clipping share."""

import math

import numpy as np
import pytest

from calibration.clips import reclipping


def test_dyestuff_as_clippings() -> None:
    # Davies 1949, Dyestuff yields, as the lme4 documentation has them: 42.00, 49.51 [seen-1].
    batches = {
        "A": (1545, 1440, 1440, 1520, 1580), "B": (1540, 1555, 1490, 1560, 1495),
        "C": (1595, 1550, 1605, 1510, 1560), "D": (1445, 1440, 1595, 1465, 1545),
        "E": (1595, 1630, 1515, 1635, 1625), "F": (1520, 1455, 1450, 1480, 1445),
    }  # fmt: skip
    found = reclipping(
        [name for name, values in batches.items() for _ in values],
        [value for values in batches.values() for value in values],
    )
    assert found.reclip_sd == pytest.approx(42.00, abs=0.005)
    assert found.within_sd == pytest.approx(49.51, abs=0.005)
    assert found.share == pytest.approx(42.00**2 / (42.00**2 + 49.51**2), abs=1e-3)
    # By hand: mean squares 11271.5 (5 dof) and 2451.25 (24 dof).
    by_hand = (11271.5 - 2451.25) ** 2 / (11271.5**2 / 5 + 2451.25**2 / 24)
    assert found.reclip_dof == pytest.approx(by_hand, rel=1e-4)


def test_no_share_where_clips_make_no_difference() -> None:
    found = reclipping(["1", "1", "2", "2", "3", "3"], [1.0, 2.0, 2.0, 1.0, 1.0, 2.0])
    assert found.reclip_sd == 0.0
    assert found.share == 0.0
    assert found.study.floored == ("part",)
    assert reclipping(["1", "1", "2", "2"], [1.0] * 4).share is None


def test_the_estimates_are_right_on_average() -> None:
    # Variances, as an unbiased estimate is unbiased there; floors are rare with this share.
    rng = np.random.default_rng(20261125)
    truth, noise, rounds = 2.0, 1.0, 2000
    names = [str(clip) for clip in range(8) for _ in range(3)]
    squares = []
    for _ in range(rounds):
        clips = np.repeat(rng.normal(0.0, truth, 8), 3)
        squares.append(
            reclipping(names, (clips + rng.normal(0.0, noise, 24)).tolist()).reclip_sd ** 2
        )
    error = np.std(squares) / math.sqrt(rounds)
    assert abs(np.mean(squares) - truth**2) < 4.0 * error
