import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.telling import can_tell


def test_shares_by_hand() -> None:
    # Margin 1, gauge 0.3, parts 0.4: total 0.5; (1 - 1.645 * 0.3) / 0.5 = 1.013, P = 0.8445
    # by the normal distribution [calc].
    found = can_tell(0.3, 0.4, 9.0, 10.0)
    assert found.blind_half_width == pytest.approx(0.4935)
    assert found.share_decided == pytest.approx(0.8445, abs=5e-5)
    assert found.answer == "partly"


@pytest.mark.parametrize(
    ("gauge", "answer"), [(0.01, "yes"), (0.5, "partly"), (1.0, "no"), (0.0, "yes")]
)
def test_the_answer_follows_the_gauge(gauge: float, answer: str) -> None:
    found = can_tell(gauge, 0.1, 9.0, 10.0)
    assert found.answer == answer
    assert found.sentence.lower().startswith(answer)


def test_a_lower_limit_mirrors_an_upper_one() -> None:
    upper = can_tell(0.3, 0.4, 9.0, 10.0, side="upper")
    lower = can_tell(0.3, 0.4, 11.0, 10.0, side="lower")
    assert (lower.margin, lower.share_decided) == (upper.margin, upper.share_decided)
    assert can_tell(0.3, 0.4, 9.0, 10.0, side="lower").margin == -1.0


def test_the_share_is_that_of_simulated_measurements() -> None:
    rng = np.random.default_rng(1)
    measured = 9.0 + rng.normal(0.0, 0.4, 200_000) + rng.normal(0.0, 0.3, 200_000)
    counted = float(np.mean(measured < 10.0 - 1.645 * 0.3))
    assert can_tell(0.3, 0.4, 9.0, 10.0).share_decided == pytest.approx(counted, abs=0.004)


@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0), st.floats(-5.0, 5.0))
def test_a_worse_gauge_never_decides_more_of_parts_beyond_its_zone(
    gauge: float, part: float, mean: float
) -> None:
    better, worse = can_tell(gauge, part, mean, 0.0), can_tell(2 * gauge, part, mean, 0.0)
    if better.share_decided >= 0.5:
        assert worse.share_decided <= better.share_decided + 1e-12


@pytest.mark.parametrize(
    "fields",
    [(-1.0, 1.0, 0.0, 0.0), (1.0, -1.0, 0.0, 0.0), (1.0, 1.0, math.nan, 0.0)],
)
def test_figures_that_cannot_be(fields: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        can_tell(*fields)
