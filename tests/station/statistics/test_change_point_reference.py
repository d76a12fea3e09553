import numpy as np
import pytest
import ruptures

from station.statistics.change_point import fit_change


@pytest.mark.parametrize("seed", range(20))
def test_places_of_steps_equal_those_of_a_reference_library(seed: int) -> None:
    # ruptures, exact dynamic programming with squared cost: the baseline of n samples is n values
    # at its centre before the others. It knows steps alone, so they are clear ones here: noise may
    # well look more like a ramp after a small one.
    rng = np.random.default_rng(seed)
    began = int(rng.integers(5, 30))
    y = rng.standard_normal(60) + 4.0 * (np.arange(60) >= began)
    joined = np.concatenate([np.zeros(25), y])
    place, _ = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(joined).predict(n_bkps=1)
    change = fit_change(y, baseline_sizes=[25.0])
    assert change.shape == "step"
    assert change.began == place - 25
    assert change.began_low <= change.began <= change.began_high
