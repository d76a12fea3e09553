import pytest

from tests.benchmarks.calibration_verdicts import figures


def test_a_small_run_is_near_the_promise_and_repeatable() -> None:
    # `python -m tests.benchmarks.calibration_verdicts` measures; this shows that it works.
    small = figures(instruments=400, seed=3)
    assert figures(instruments=400, seed=3) == small
    # Four standard errors of 400 counts.
    for name in ("resistance", "force"):
        for verdict in ("passed", "failed"):
            assert small.figures[f"{name}: {verdict} at the limit %"] == pytest.approx(5, abs=4.4)
    for name in ("resistance", "force"):
        assert small.figures[f"{name}: 95 % interval holds the truth %"] == pytest.approx(95, abs=4)
