"""The board, its listeners, and the curve that grows."""

from hypothesis import given
from hypothesis import strategies as st

from station.bench.board import (
    BenchState,
    Board,
    LiveTrace,
    Stage,
)

FORCES = st.lists(st.floats(-10.0, 1000.0), max_size=300)


@given(FORCES, FORCES, st.integers(2, 50))
def test_a_follower_misses_neither_the_lowest_nor_the_highest_force(
    early: list[float], late: list[float], most: int
) -> None:
    trace = LiveTrace()
    trace.begin()
    pull, index = 0, 0
    for forces in (early, late):
        for force in forces:
            trace.add(7.0, force)
        pull, index, points = trace.since(pull, index, most)
        assert len(points) <= max(most, 2)
        seen = [force for _, force in points]
        if forces:
            assert (min(seen), max(seen)) == (min(forces), max(forces))
    assert (pull, index) == (1, len(early) + len(late))


def test_listeners_hear_every_snapshot() -> None:
    board, heard = Board(), list[BenchState]()
    board.listeners.append(heard.append)
    board.show(stage=Stage.GRIP)
    board.show(guard="open")
    assert [(state.stage, state.guard) for state in heard] == [
        (Stage.GRIP, None),
        (Stage.GRIP, "open"),
    ]
