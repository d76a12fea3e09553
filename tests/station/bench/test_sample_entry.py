import math
from dataclasses import replace
from typing import Any

import pytest

from calibration.standing import CalibrationLine, CalibrationPoint
from calibration.worth import (
    ForceWorth,
    OhmWorth,
    corrects,
    force_budget,
    reading_budget,
)
from station.bench.sample_entry import (
    Results,
    finished_sample,
    judge,
    pull_result,
    reduce_reading,
    resistance_result,
)
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.pull.reduce import reduce_trace
from station.crimp.wire import parse_size
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import InstrumentUsed, Joint, SampleBegun
from station.settings import FixtureSettings

WORTH = OhmWorth(0.1, 0.02, 0.01, 1e-7)
GOOD_LOOKS = {
    item.id: True for item in shipped_book().checklist(shipped_book().connectors["butt-splice-red"])
}
USED = InstrumentUsed(profile="p", identity="i", port="none")


def order(*wires: str) -> SampleOrder:
    joint = Joint(connector="butt-splice-red", wires=wires, tool="Heron", nest="red")
    return SampleOrder("Benno", "daily_check", joint, "ul-486a-1991")


def test_reading_budget_by_hand() -> None:
    # 0.1 % of 2 mohm and 0.02 % of 10 mohm, rectangular (JCGM 100, 4.3.7 [memory]): 4 microohm /
    # sqrt 3 [calc].
    mean, lines = reading_budget([1.999e-3, 2.000e-3, 2.001e-3], WORTH)
    by_name = {line.name: line for line in lines}
    assert mean == pytest.approx(2.0e-3)
    assert by_name["meter accuracy"].u == pytest.approx(4e-6 / math.sqrt(3.0))
    assert by_name["meter resolution"].u == pytest.approx(1e-7 / math.sqrt(12.0))
    assert by_name["repeatability"].u == pytest.approx(1e-6 / math.sqrt(3.0))
    assert by_name["repeatability"].dof == 2


def test_force_uncertainty_by_hand() -> None:
    worth = ForceWorth(0.5, 0.1, None)
    expected = math.hypot(0.5 / math.sqrt(3.0), 0.1 / math.sqrt(12.0))
    assert force_budget(100.0, worth)[1].u == pytest.approx(expected)


def test_two_different_wires_share_the_span() -> None:
    fixture = FixtureSettings(span_m=0.08)
    same = reduce_reading([5e-3] * 3, WORTH, order("18 AWG", "18 AWG"), fixture)
    mixed = reduce_reading([5e-3] * 3, WORTH, order("18 AWG", "20 AWG"), fixture)
    # Half of 80 mm each: 20.95 and 33.31 mohm/m by ASTM B258 and IACS [calc].
    assert same.wire_share_ohm == pytest.approx(0.08 * 20.948e-3, rel=1e-4)
    assert mixed.wire_share_ohm == pytest.approx(0.04 * (20.948e-3 + 33.309e-3), rel=1e-4)


def test_what_a_reclipping_study_found_is_in_every_budget() -> None:
    plain, joint = FixtureSettings(span_m=0.08), order("18 AWG", "18 AWG")
    studied = FixtureSettings(span_m=0.08, u_reclip_ohm=3e-5, reclip_dof=9.0)
    before = reduce_reading([5e-3] * 3, WORTH, joint, plain)
    after = reduce_reading([5e-3] * 3, WORTH, joint, studied)
    assert after.splice_ohm == before.splice_ohm
    assert after.u_ohm == pytest.approx(math.hypot(before.u_ohm, 3e-5))
    (line,) = (line for line in after.budget.contributions if line.name == "re-clipping")
    assert (line.u, line.dof) == (3e-5, 9.0)
    assert all(line.name != "re-clipping" for line in before.budget.contributions)


def test_a_void_sample_is_never_judged() -> None:
    begun = SampleBegun(job="daily_check", joint=order("18 AWG").joint, limit_set="ul-486a-1991")
    results = Results(void_reason="the clips fell off")
    limits = shipped_limit_sets().for_size(parse_size("18 AWG"), "ul-486a-1991")
    finished = finished_sample("id", begun, results, judge(limits, results, 1.645), guard=1.645)
    assert finished.verdict == "void"
    assert finished.criteria == ()


@pytest.mark.parametrize(
    ("checklist", "verdict"),
    [
        ({"centred": False}, "undecided"),
        ({"sleeve-whole": True, "centred": False}, "undecided"),
        (GOOD_LOOKS | {"centred": False}, "pass"),
        (GOOD_LOOKS | {"sleeve-whole": False}, "fail"),
        ({"sleeve-whole": False, "no-stray-strand": False}, "fail"),
    ],
)
def test_a_critical_look_condemns_what_every_limit_passes(
    checklist: dict[str, bool], verdict: str
) -> None:
    begun = SampleBegun(job="single", joint=order("18 AWG").joint, limit_set="ul-486a-1991")
    pulled = reduce_trace([0.0, 1.0, 2.0, 3.0], [0.0, 100.0, 200.0, 0.0])
    pull = pull_result(pulled, ForceWorth(0.5, 0.1, None), "broke_in_wire", None, USED)
    limits = shipped_limit_sets().for_size(parse_size("18 AWG"), "ul-486a-1991")
    results = Results(pull=pull)
    criteria = judge(limits, results, 1.645)
    assert [item.verdict for item in criteria] == ["pass"]
    book = shipped_book()
    connector, sizes = book.connectors["butt-splice-red"], [parse_size("18 AWG")] * 2
    seen: dict[str, Any] = {
        "checklist": checklist,
        "looked": book.looked(connector, checklist),
        "condemned_by": book.condemned_by(connector, checklist, sizes),
    }
    finished = finished_sample("id", begun, results, criteria, guard=1.645, only="pull", **seen)
    assert (finished.verdict, "resistance" in finished.not_judged) == (verdict, True)
    both = finished_sample("id", begun, results, criteria, guard=1.645, **seen)
    assert both.verdict == ("fail" if verdict == "fail" else "undecided")
    void = finished_sample(
        "id", begun, Results(void_reason="the clips fell off"), (), guard=1.645, **seen
    )
    assert void.verdict == "void"
    given_up = finished_sample(
        "id", begun, Results(void_reason="enough seen", void_by="person"), (), guard=1.645, **seen
    )
    # A person's word does not undo what a look condemned.
    assert given_up.verdict == ("fail" if verdict == "fail" else "void")
    assert (given_up.void_reason is None) == (verdict == "fail")


def test_results_keep_raw_wire_share_and_splice() -> None:
    fixture = FixtureSettings()
    reduced = reduce_reading([2e-3] * 3, WORTH, order("18 AWG"), fixture)
    kept = resistance_result([2e-3] * 3, reduced, (fixture.span_m,), USED)
    assert kept.reading_ohm == pytest.approx(kept.wire_share_ohm + kept.splice_ohm)
    assert kept.u_ohm == pytest.approx(math.hypot(*(line.u for line in kept.budget)))
    pulled = reduce_trace([0.0, 1.0, 2.0, 3.0], [0.0, 50.0, 100.0, 0.0])
    pull = pull_result(pulled, ForceWorth(0.5, 0.1, None), "drawn_out", None, USED)
    # Four samples show no noise, so that some is guessed: the peak is less sure, not 100 N.
    assert pull.peak_n == pulled.peak_n
    assert 97.0 < pull.peak_n < 100.0
    assert {line.name: line.u for line in pull.budget}["peak estimate"] == pulled.peak_u_n > 0.5
    assert pull.failure_mode == "drawn_out"


def calibrated(scale: float, offset: float = 0.0) -> CalibrationLine:
    """A line through exact points, so that only the references are uncertain."""
    return CalibrationLine.through(
        CalibrationPoint(x, 1e-3 * x, offset + scale * x) for x in (1e-3, 2e-3, 5e-3, 50.0, 200.0)
    )


def test_a_calibration_takes_the_place_of_the_specification() -> None:
    worth = replace(WORTH, line=calibrated(1.01))
    mean, lines = reading_budget([2.02e-3] * 3, worth)
    assert mean == pytest.approx(2.0e-3)
    by_name = {line.name: line.u for line in lines}
    assert by_name["reference standard"] == pytest.approx(2e-6)
    assert "meter accuracy" not in by_name
    assert corrects(worth, 2.02e-3)


def test_beyond_its_points_a_calibration_does_not_reach() -> None:
    worth = replace(WORTH, line=calibrated(1.01))
    assert not corrects(worth, 1e-4)
    assert reading_budget([1e-4] * 3, worth) == reading_budget([1e-4] * 3, WORTH)


def test_a_corrected_pull_keeps_the_raw_peak_and_its_budget() -> None:
    worth = ForceWorth(0.5, 0.1, None, line=calibrated(1.02, 0.5))
    pulled = reduce_trace([0.0, 1.0, 2.0, 3.0], [0.0, 50.0, 102.5, 0.0])
    pulled = replace(pulled, peak_n=102.5, peak_u_n=0.3)
    pull = pull_result(pulled, worth, "drawn_out", None, USED)
    assert pull.raw_peak_n == 102.5
    assert pull.peak_n == pytest.approx(100.0)
    by_name = {line.name: line.u for line in pull.budget}
    assert by_name["reference standard"] == pytest.approx(0.1)
    assert pull.u_n == pytest.approx(math.hypot(*by_name.values()))
