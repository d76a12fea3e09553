"""The benchmark of crimp heights, made short."""

from tests.benchmarks.heights import measure


def test_wearing_heights_are_found_as_promised_and_calm_ones_are_left_alone() -> None:
    found = measure(60)
    assert found.holds, found.figures
