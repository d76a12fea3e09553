from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.instruments.bay import MAX_PULL_S
from station.instruments.standstill import STANDS_AFTER_S, WORDS, StandstillWatch

PRELOAD_N = 2.0


def seen(forces: list[float], every_s: float = 0.5) -> list[str | None]:
    watch = StandstillWatch(PRELOAD_N)
    return [watch.add(1000.0 + place * every_s, force_n) for place, force_n in enumerate(forces)]


def test_what_is_said_names_the_time_after_which_it_is_said() -> None:
    for seen_ in ("no_force", "unchanged"):
        assert f"for {STANDS_AFTER_S:g} s" in WORDS[seen_]
    assert f"a pull may last {MAX_PULL_S:g} s" in WORDS["unchanged"]


@pytest.mark.parametrize(
    ("force_n", "said"), [(0.0, "no_force"), (-0.1, "no_force"), (57.3, "unchanged")]
)
def test_one_value_over_and_over_is_said_after_the_time_and_not_before(
    force_n: float, said: str
) -> None:
    first = int(STANDS_AFTER_S / 0.5)
    assert seen([force_n] * 40) == [None] * first + [said] * (40 - first)


def test_noise_about_zero_is_no_pull() -> None:
    assert seen([0.1, -0.2] * 20)[-1] == "no_force"


def test_a_force_that_a_hand_holds_flickers_and_is_not_spoken_of() -> None:
    assert set(seen([57.3, 57.4] * 40)) == {None}


def test_a_pull_that_goes_on_is_spoken_of_no_longer() -> None:
    said = seen([57.3] * 40 + [57.4, 57.6])
    assert said[39:] == ["unchanged", None, None]
    assert seen([0.0] * 40 + [3.0])[-1] is None


@given(st.lists(st.floats(-5.0, 500.0), min_size=1, max_size=80))
def test_a_force_that_changed_within_the_time_never_stands(forces: list[float]) -> None:
    every_s = 1.0
    for place, said in enumerate(seen(forces, every_s)):
        recent = forces[max(0, place - int(STANDS_AFTER_S)) : place + 1]
        moved = any(a != b and max(a, b) >= PRELOAD_N for a, b in pairwise(recent))
        if moved or len(recent) <= STANDS_AFTER_S:
            assert said is None
