import json
from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks import false_pass
from tests.benchmarks.false_pass import dialects, draw_joint, measure, said, verdict
from tests.benchmarks.line_faults import FAULTS, apply, fits, written


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(false_pass, "BLOCK", 2)


def test_a_small_run_holds_and_goes_on_where_it_stopped(tmp_path: Path) -> None:
    # So few pulls only show that it works; `python -m tests.benchmarks.false_pass` measures.
    state = tmp_path / "state"
    first = measure(60, state, processes=1)
    assert first.holds
    assert json.loads(json.dumps(dict(first.figures))) == first.figures
    done = state.read_text()
    assert measure(60, state, processes=1) == first
    assert state.read_text() == done
    cells = first.figures["cells"]
    assert isinstance(cells, list)
    hit = {(row["profile"], row["fault"]) for row in cells if row["fault"] != "none"}
    assert hit == {
        (name, fault) for name, each in dialects().items() for fault in FAULTS
        if fits(fault, each.voice)
    }  # fmt: skip


@pytest.mark.parametrize("name", dialects())
def test_a_joint_over_its_limit_passes_through_the_same_intake(name: str) -> None:
    # Otherwise a benchmark that counts passes would count none whatever it is told.
    dialect = dialects()[name]
    rng = np.random.default_rng(3)
    joint = draw_joint(dialect.profile.sampling.sample_rate_hz, rng)
    strong = false_pass.Joint(
        joint.peak_n / 1.3, joint.force_n, joint.rate_hz, joint.begin, joint.end, joint.peak_n
    )
    assert verdict(strong, dialect, *apply("none", said(strong, dialect, rng), rng)) == "pass"


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_changes_what_the_line_says(fault: str) -> None:
    dialect = dialects()["tester-stream-newton"]
    joint = draw_joint(100.0, np.random.default_rng(4))
    untouched = said(joint, dialect, np.random.default_rng(5))
    plain, ends = written(untouched.lines())
    stream, moved = apply(fault, untouched, np.random.default_rng(6))
    assert stream != plain
    assert (np.diff(moved) >= 0).all()
    assert moved[-1] == len(stream)
    assert moved.shape == ends.shape
