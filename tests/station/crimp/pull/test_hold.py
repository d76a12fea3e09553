import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.pull.hold import (
    LONGEST_GAP_S,
    Hold,
    reduce_hold,
    still_borne_n,
)
from station.errors import BadInput

readings = st.lists(
    st.tuples(st.floats(0.01, 2.0 * LONGEST_GAP_S), st.floats(0.0, 200.0)), min_size=2, max_size=60
)


def trace(steps: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    gaps, forces = zip(*steps, strict=True)
    return np.cumsum(gaps), np.array(forces)


def held(time_s: float, rate_hz: float = 100.0) -> tuple[np.ndarray, np.ndarray]:
    """Up within a second, held at 100 N, and let go of."""
    at_s = np.arange(0.0, time_s + 3.0, 1.0 / rate_hz)
    force = np.minimum(100.0 * at_s, 100.0)
    force[at_s > 1.0 + time_s] = 0.0
    return at_s, force


@pytest.mark.parametrize("time_s", [40.0, 60.0])
def test_a_hold_lasts_from_its_first_to_its_last_reading(time_s: float) -> None:
    assert reduce_hold(*held(time_s), 99.0).held_s == pytest.approx(time_s, abs=0.03)


def test_what_never_reached_the_force_was_never_held() -> None:
    found = reduce_hold(*held(60.0), 101.0)
    assert (found.held_s, found.lowest_n) == (0.0, 100.0)


def test_a_ripple_below_the_force_begins_the_hold_anew() -> None:
    time_s, force_n = held(60.0)
    force_n[np.searchsorted(time_s, 41.0)] = 98.9
    assert reduce_hold(time_s, force_n, 99.0).held_s == pytest.approx(40.0, abs=0.03)
    assert reduce_hold(time_s, force_n, 98.9).lowest_n == 98.9


def test_a_gap_in_which_nobody_looked_begins_the_hold_anew() -> None:
    time_s, force_n = held(60.0)
    seen = (time_s < 31.0) | (time_s > 31.0 + LONGEST_GAP_S + 0.02)
    assert reduce_hold(time_s[seen], force_n[seen], 99.0).held_s == pytest.approx(30.0, abs=0.6)
    seen = (time_s < 31.0) | (time_s > 31.0 + LONGEST_GAP_S - 0.02)
    assert reduce_hold(time_s[seen], force_n[seen], 99.0).held_s == pytest.approx(60.0, abs=0.03)


@given(readings, st.floats(1.0, 200.0))
def test_no_reading_of_a_hold_is_below_its_force(
    steps: list[tuple[float, float]], reading_n: float
) -> None:
    time_s, force_n = trace(steps)
    found = reduce_hold(time_s, force_n, reading_n)
    assert 0.0 <= found.held_s <= time_s[-1] - time_s[0]
    assert (found.lowest_n >= reading_n) == bool((force_n >= reading_n).any())
    # A higher force is never held for longer.
    assert reduce_hold(time_s, force_n, 1.1 * reading_n).held_s <= found.held_s


@given(readings, st.floats(1.0, 200.0))
def test_it_is_the_longest_stretch_of_readings_that_show_it(
    steps: list[tuple[float, float]], reading_n: float
) -> None:
    time_s, force_n = trace(steps)
    shown = force_n >= reading_n
    apart = np.diff(time_s) > LONGEST_GAP_S
    begins = np.flatnonzero(shown & np.append(True, ~shown[:-1] | apart))
    ends = np.flatnonzero(shown & np.append(~shown[1:] | apart, True))
    longest_s = (time_s[ends] - time_s[begins]).max(initial=0.0)
    hold = Hold(reading_n)
    now_s = [hold.add(*each) for each in zip(time_s.tolist(), force_n.tolist(), strict=True)]
    assert hold.held_s == longest_s == max(now_s)
    assert reduce_hold(time_s, force_n, reading_n) == hold


@given(readings)
def test_two_readings_show_what_was_borne(steps: list[tuple[float, float]]) -> None:
    time_s, force_n = trace(steps)
    borne_n = still_borne_n(time_s, force_n)
    if borne_n is not None:
        assert np.count_nonzero(force_n >= borne_n) >= 2
        assert force_n[-1] >= 0.9 * borne_n


def test_a_lone_reading_and_a_force_that_fell_show_nothing() -> None:
    at_s = 0.01 * np.arange(101)
    climb = 120.0 * at_s
    assert still_borne_n(at_s, climb) == pytest.approx(118.8)
    spike = np.append(climb[:-1], 4500.0)
    assert still_borne_n(at_s, spike) is None
    assert still_borne_n([0.0, 0.1, 0.2, 0.3], [0.0, 30.0, 60.0, 4500.0]) == 60.0
    fallen = np.append(climb[:-3], [100.0, 60.0, 40.0])
    assert still_borne_n(at_s, fallen) is None


def test_a_trace_that_is_none_is_refused() -> None:
    with pytest.raises(BadInput, match="does not rise"):
        reduce_hold([0.0, 0.0], [1.0, 1.0], 0.5)
