"""Plans of gauge studies."""

from collections import Counter
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.study_plan import crossed_turns, nested_turns, reclip_turns

PEOPLE, PARTS = ["Ann", "Bo", "Cy"], [f"P{n}" for n in range(10)]


@given(st.integers(1, 3), st.integers(2, 6), st.integers(2, 4), st.integers(0, 2**32))
def test_a_crossed_plan_is_balanced_in_every_round(
    people: int, parts: int, repeats: int, seed: int
) -> None:
    turns = crossed_turns(PEOPLE[:people], PARTS[:parts], repeats, seed)
    cells = Counter((turn.appraiser, turn.part) for turn in turns)
    assert set(cells.values()) == {repeats}
    assert len(cells) == people * parts
    rounds = [turn.trial for turn in turns]
    assert rounds == sorted(rounds)
    keys = {(turn.appraiser, turn.part, turn.trial) for turn in turns}
    assert len(keys) == len(turns)


def test_the_order_is_random_and_repeats_by_its_seed() -> None:
    first = crossed_turns(PEOPLE, PARTS, 3, seed=1)
    assert crossed_turns(PEOPLE, PARTS, 3, seed=1) == first
    assert crossed_turns(PEOPLE, PARTS, 3, seed=2) != first
    one_round = [turn.part for turn in first[:10]]
    assert one_round != PARTS
    # One person at a time: nobody waits for the bench at every part.
    assert len({turn.appraiser for turn in first[:10]}) == 1


def test_every_part_comes_first_about_equally_often() -> None:
    # Chi-square with 9 degrees of freedom: 27.9 is exceeded once in a thousand [calc].
    firsts = Counter(crossed_turns(["Ann"], PARTS, 2, seed)[0].part for seed in range(1000))
    assert sum((firsts[part] - 100) ** 2 / 100 for part in PARTS) < 27.9


def test_clippings_come_in_order() -> None:
    turns = reclip_turns("Ann", "P1", 3, 2)
    assert [(turn.batch, turn.trial) for turn in turns] == [
        ("1", 1), ("1", 2), ("2", 1), ("2", 2), ("3", 1), ("3", 2),
    ]  # fmt: skip


def test_a_nested_plan_deals_batches_out_evenly_and_mixes_the_pulls() -> None:
    turns = nested_turns(["Ann", "Bo"], ["A", "B", "C", "D"], 5, seed=3)
    assert len({turn.part for turn in turns}) == 20
    assert set(Counter(turn.batch for turn in turns).values()) == {5}
    of_whom = {turn.batch: turn.appraiser for turn in turns}
    assert sorted(Counter(of_whom.values()).values()) == [2, 2]
    assert all(turn.appraiser == of_whom[turn.batch] for turn in turns)
    assert [turn.batch for turn in turns] != sorted(turn.batch for turn in turns)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: crossed_turns(["Ann"], ["A"], 2, 0), "at least 2 parts"),
        (lambda: crossed_turns([], PARTS, 2, 0), "at least 1 person"),
        (lambda: crossed_turns(["Ann", "Ann"], PARTS, 2, 0), "named twice"),
        (lambda: crossed_turns(["Ann"], ["A", " "], 2, 0), "empty"),
        (lambda: crossed_turns(["Ann"], PARTS, 1, 0), "at least twice"),
        (lambda: crossed_turns(PEOPLE, PARTS, 100, 0), "too many"),
        (lambda: reclip_turns("Ann", "P", 2, 2), "three times"),
        (lambda: reclip_turns("Ann", "P", 3, 1), "at least twice"),
        (lambda: nested_turns(PEOPLE, ["A", "B"], 3, 0), "cannot be dealt out"),
        (lambda: nested_turns(["Ann"], ["A", "B"], 1, 0), "at least two parts"),
    ],
)
def test_a_plan_that_shows_nothing_is_refused(make: Callable[[], object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        make()
