import json

from tests.benchmarks.told_by_shape import RIGHT, figures


def test_a_small_run_holds() -> None:
    # So few pulls only show that it works; `python -m tests.benchmarks.told_by_shape` measures.
    small = figures(pulls=12, seed=2)
    assert small.holds
    for shape in RIGHT:
        parts = [small.figures[f"{shape}: {word} %"] for word in ("right", "wrong", "cannot tell")]
        assert abs(sum(float(str(part)) for part in parts) - 100.0) < 1e-9
    assert json.loads(json.dumps(dict(small.figures))) == small.figures
