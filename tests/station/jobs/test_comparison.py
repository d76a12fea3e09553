from dataclasses import dataclass

import pytest

from station.errors import BadInput
from station.jobs.comparison import (
    doubts,
    label_from,
    values_of,
    way_from,
)


@dataclass
class Made:
    job: str = "comparison"
    step: str | None = "good strip"
    connector: str = "butt-splice-red"
    wires: tuple[str, ...] = ("18 AWG", "18 AWG")
    material: str = "copper"
    tool: str = "Egret"
    nest: str = "red"
    person: str = "Ben"
    verdict: str | None = "pass"
    peak_n: float | None = 140.0
    splice_ohm: float | None = 2.5e-4


def test_a_label_and_a_filter() -> None:
    made = [Made(), Made(step="Nicked", peak_n=80.0), Made(nest="blue", peak_n=100.0)]
    assert values_of(way_from("GOOD strip"), made, "pull") == [140.0, 100.0]
    assert values_of(way_from("nicked"), made, "pull") == [80.0]
    assert values_of(way_from("nest=red, way=good strip"), made, "pull") == [140.0]
    assert values_of(way_from("wire=18 AWG"), made, "resistance") == [2.5e-4] * 3
    assert values_of(way_from("wire=16 AWG"), made, "resistance") == []
    assert way_from("nest=red, wire=18 AWG").name == "red, 18 AWG"


def test_void_unfinished_and_unmeasured_are_left_out() -> None:
    made = [Made(verdict="void"), Made(verdict=None), Made(peak_n=None), Made(verdict="fail")]
    assert values_of(way_from("good strip"), made, "pull") == [140.0]


def test_a_step_of_another_job_is_no_label() -> None:
    assert values_of(way_from("good strip"), [Made(job="certification")], "pull") == []


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
    made = [Made(), Made(step="thick", wires=("14 AWG", "14 AWG"))]
    assert "different wires" in doubts([way_from("good strip"), way_from("thick")], made)[0]
    assert "belong to both" in doubts([way_from("nest=red"), way_from("tool=Egret")], made)[-1]
    assert doubts([way_from("good strip"), way_from("none")], made) == []
