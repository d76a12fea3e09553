import pytest

from tests.benchmarks.calibration_verdicts import figures


def test_a_small_run_holds_and_is_repeatable() -> None:
    # `python -m tests.benchmarks.calibration_verdicts` measures; this shows that it works.
    small = figures(instruments=400, seed=3)
    assert small.holds
    assert figures(instruments=400, seed=3) == small
    for name in ("resistance", "force"):
        assert small.figures[f"{name}: 95 % interval holds the truth %"] == pytest.approx(95, abs=4)
