from dataclasses import replace
from typing import Any

import pytest

from station.errors import BadInput
from station.jobs.comparison import (
    doubts,
    label_from,
    values_of,
    way_from,
)
from station.ledger.rows import SampleRow
from tests.station.jobs.daily.test_judge import sample


def made(**known: Any) -> SampleRow:
    """A sample of one way of a comparison."""
    usual: dict[str, Any] = {
        "job": "comparison", "step": "good strip", "tool": "Egret", "person": "Ben",
        "verdict": "pass", "peak_n": 140.0, "splice_ohm": 2.5e-4,
    }  # fmt: skip
    return replace(sample(0), **(usual | known))


def test_a_label_and_a_filter() -> None:
    rows = [made(), made(step="Nicked", peak_n=80.0), made(nest="blue", peak_n=100.0)]
    assert values_of(way_from("GOOD strip"), rows, "pull") == [140.0, 100.0]
    assert values_of(way_from("nicked"), rows, "pull") == [80.0]
    assert values_of(way_from("nest=red, way=good strip"), rows, "pull") == [140.0]
    assert values_of(way_from("wire=18 AWG"), rows, "resistance") == [2.5e-4] * 3
    assert values_of(way_from("wire=16 AWG"), rows, "resistance") == []
    assert way_from("nest=red, wire=18 AWG").name == "red, 18 AWG"


def test_void_unfinished_and_unmeasured_are_left_out() -> None:
    rows = [made(verdict="void"), made(verdict=None), made(peak_n=None), made(verdict="fail")]
    assert values_of(way_from("good strip"), rows, "pull") == [140.0]


def test_a_step_of_another_job_is_no_label() -> None:
    assert values_of(way_from("good strip"), [made(job="certification")], "pull") == []


@pytest.mark.parametrize("text", ["", " , ", "beauty=much", "nest="])
def test_bad_ways(text: str) -> None:
    with pytest.raises(BadInput):
        way_from(text)


def test_labels() -> None:
    assert label_from("  nicked   strands ") == "nicked strands"
    for text in ("", "a,b", "a=b", "x" * 61):
        with pytest.raises(BadInput):
            label_from(text)


def test_doubts() -> None:
    rows = [made(), made(step="thick", wires=("14 AWG", "14 AWG"))]
    assert "different wires" in doubts([way_from("good strip"), way_from("thick")], rows)[0]
    assert "belong to both" in doubts([way_from("nest=red"), way_from("tool=Egret")], rows)[-1]
    assert doubts([way_from("good strip"), way_from("none")], rows) == []
