import math
from dataclasses import replace
from typing import Any

import pytest

from calibration.standing import CalibrationLine, CalibrationPoint
from calibration.uncertainty import Contribution
from calibration.worth import (
    ForceWorth,
    OhmWorth,
    corrects,
    force_budget,
    reading_budget,
)
from station.bench.between import BetweenClips
from station.bench.sample_entry import (
    Results,
    finished_sample,
    judge,
    pull_result,
    reduce_reading,
    resistance_result,
)
from station.bench.temperature import temperature_set
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.pull.reduce import reduce_trace
from station.crimp.wire import parse_size
from station.ledger.entries import InstrumentUsed, Joint, ReelAdded, SampleBegun
from station.settings import FixtureSettings
from station.shop.reels import Reel, measured_reel

WORTH = OhmWorth(0.1, 0.02, 0.01, 1e-7)
GOOD_LOOKS = {
    item.id: True for item in shipped_book().checklist(shipped_book().connectors["butt-splice-red"])
}
USED = InstrumentUsed(profile="p", identity="i", port="none")


def joint_of(*wires: str, connector: str = "butt-splice-red") -> Joint:
    return Joint(connector=connector, wires=wires, tool="Heron", nest="red")


def between(
    fixture: FixtureSettings, *reels: Reel | None, connector: str = "butt-splice-red",
    meter: str = "i",
) -> BetweenClips:  # fmt: skip
    joint = joint_of("18 AWG", connector=connector)
    made = BetweenClips.of(shipped_book(), joint, fixture, temperature_set(fixture), reels)
    return replace(made, meter=meter)


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


def test_thermal_voltages_that_nothing_cancels_have_their_line() -> None:
    worth = replace(WORTH, u_thermal_ohm=5e-6)
    assert Contribution("thermal voltages", 5e-6) in reading_budget([2e-3] * 3, worth)[1]
    assert len(reading_budget([2e-3] * 3, WORTH)[1]) == 3


def test_force_uncertainty_by_hand() -> None:
    worth = ForceWorth(0.5, 0.1, None)
    expected = math.hypot(0.5 / math.sqrt(3.0), 0.1 / math.sqrt(12.0))
    assert force_budget(100.0, worth)[1].u == pytest.approx(expected)


def test_two_different_wires_share_the_span() -> None:
    clips = between(FixtureSettings(span_m=0.08))
    same = reduce_reading([5e-3] * 3, WORTH, joint_of("18 AWG", "18 AWG"), clips)
    mixed = reduce_reading([5e-3] * 3, WORTH, joint_of("18 AWG", "20 AWG"), clips)
    # Half of 80 mm each: 20.95 and 33.31 mohm/m by ASTM B258 and IACS, and 1 % more, the middle of
    # a gauge's band [calc].
    assert same.wire_share_ohm == pytest.approx(0.08 * 20.948e-3, rel=1e-4)
    assert mixed.wire_share_ohm == pytest.approx(0.04 * (20.948e-3 + 33.309e-3), rel=1e-4)
    assert same.share_from == mixed.share_from == "band"


def test_what_a_reclipping_study_found_is_in_every_budget() -> None:
    joint, plain = joint_of("18 AWG", "18 AWG"), between(FixtureSettings(span_m=0.08))
    studied = between(FixtureSettings(span_m=0.08, u_reclip_ohm=3e-5, reclip_dof=9.0))
    before = reduce_reading([5e-3] * 3, WORTH, joint, plain)
    after = reduce_reading([5e-3] * 3, WORTH, joint, studied)
    assert after.splice_ohm == before.splice_ohm
    assert after.u_ohm == pytest.approx(math.hypot(before.u_ohm, 3e-5))
    (line,) = (line for line in after.budget.contributions if line.name == "re-clipping")
    assert (line.u, line.dof) == (3e-5, 9.0)
    assert all(line.name != "re-clipping" for line in before.budget.contributions)


def test_a_void_sample_is_never_judged() -> None:
    begun = SampleBegun(job="daily_check", joint=joint_of("18 AWG"), limit_set="ul-486a-1991")
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
    begun = SampleBegun(job="single", joint=joint_of("18 AWG"), limit_set="ul-486a-1991")
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
    clips = between(FixtureSettings())
    reduced = reduce_reading([2e-3] * 3, WORTH, joint_of("18 AWG"), clips)
    kept = resistance_result([2e-3] * 3, reduced, clips, USED)
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
    pulled = replace(pulled, peak_n=102.5, peak_u_n=0.3, may_have_slipped=True)
    pull = pull_result(pulled, worth, "drawn_out", None, USED)
    assert pull.may_have_slipped
    assert pull.raw_peak_n == 102.5
    assert pull.peak_n == pytest.approx(100.0)
    by_name = {line.name: line.u for line in pull.budget}
    assert by_name["reference standard"] == pytest.approx(0.1)
    assert pull.u_n == pytest.approx(math.hypot(*by_name.values()))


# ---- what the wire's share rests on ----


def reel_of(
    ohm_per_m: float, *, size: str = "18 AWG", length_m: float = 1.0, in_fixture: bool = False,
    at_c: float | None = None, meter: str = "i", name: str = "R1",
) -> Reel:  # fmt: skip
    reel = Reel(ReelAdded(reel=name, size=size))
    measured = measured_reel(
        reel, [ohm_per_m * length_m] * 3, WORTH, (length_m, 0.0005), (at_c, 3.0),
        instrument=meter, in_fixture=in_fixture,
    )  # fmt: skip
    return replace(reel, measured=measured)


TWO_18 = joint_of("18 AWG", "18 AWG")


def test_a_measured_reel_comes_before_the_band() -> None:
    clips = between(FixtureSettings(span_m=0.08), reel_of(22e-3), reel_of(22e-3))
    reduced = reduce_reading([2e-3] * 3, WORTH, TWO_18, clips)
    assert reduced.share_from == "reel"
    assert reduced.wire_share_ohm == pytest.approx(0.08 * 22e-3)
    names = [line.name for line in reduced.budget.contributions]
    assert "wire ohm per metre, by its reel" in names
    kept = resistance_result([2e-3] * 3, reduced, clips, USED)
    assert (kept.wire_share_from, kept.method) == ("reel", "by_length")


def test_one_wire_without_a_reel_leaves_the_share_to_the_band() -> None:
    clips = between(FixtureSettings(span_m=0.08), reel_of(22e-3), None)
    reduced = reduce_reading([2e-3] * 3, WORTH, TWO_18, clips)
    assert reduced.share_from == "band"
    assert reduced.wire_share_ohm == pytest.approx(0.04 * (22e-3 + 20.948e-3), rel=1e-4)


def test_a_reference_of_the_same_span_and_meter_is_taken_off_as_it_came() -> None:
    span = reel_of(22e-3, length_m=0.08, in_fixture=True)
    clips = between(FixtureSettings(span_m=0.08), span, span)
    reduced = reduce_reading([2e-3] * 3, WORTH, TWO_18, clips)
    assert reduced.share_from == "reference"
    assert reduced.splice_ohm == pytest.approx(2e-3 - 0.08 * 22e-3)
    # The meter's error of scale acts on the difference alone: 0.1 % of it, rectangular [calc].
    by_name = {line.name: line.u for line in reduced.budget.contributions}
    assert by_name["meter scale"] == pytest.approx(abs(reduced.splice_ohm) * 1e-3 / math.sqrt(3.0))
    kept = resistance_result([2e-3] * 3, reduced, clips, USED)
    assert (kept.wire_share_from, kept.method) == ("reference", "by_reference")


@pytest.mark.parametrize(
    ("span_m", "meter", "temperature_c"), [(0.1, "i", None), (0.08, "j", None), (0.08, "i", 21.0)]
)
def test_a_reference_of_another_span_or_meter_is_a_short_length(
    span_m: float, meter: str, temperature_c: float | None
) -> None:
    span = reel_of(22e-3, length_m=0.08, in_fixture=True)
    fixture = FixtureSettings(span_m=span_m, temperature_c=temperature_c)
    clips = between(fixture, span, span, meter=meter)
    reduced = reduce_reading([3e-3] * 3, WORTH, TWO_18, clips)
    assert reduced.share_from == "reel"
    # Half a millimetre of 80 is more than the meter's own error.
    (line,) = [one for one in reduced.budget.contributions if one.name.endswith("its reel")]
    assert line.u > reduced.wire_share_ohm * 0.0005 / 0.08


def test_each_family_has_its_span_and_its_wire() -> None:
    fixture = FixtureSettings(span_m=0.08, spans_mm={"ring": 60.0, "butt-splice": 152.4})
    made = joint_of("18 AWG", "20 AWG", connector="ring-red")
    ring = between(fixture, connector="ring-red")
    (span,) = ring.spans(made)
    assert span.size.label == "18 AWG"
    assert span.length_m == pytest.approx(0.060)
    assert between(fixture).span_m == pytest.approx(0.1524)
    assert between(fixture, connector="tap-connector-red").span_m == pytest.approx(0.08)


def test_a_barrel_better_than_wire_is_a_value() -> None:
    # 15 mm of the 80 are barrel: as much below zero as those 15 mm of wire have is no fault.
    clips = between(FixtureSettings(span_m=0.08), reel_of(21e-3), reel_of(21e-3))
    replaced_ohm = 0.015 * 21e-3
    good = reduce_reading([0.08 * 21e-3 - 0.9 * replaced_ohm] * 3, WORTH, TWO_18, clips)
    assert good.splice_ohm < -2.0 * good.u_ohm
    assert good.void_reason is None
    wrong = reduce_reading([0.08 * 21e-3 - 2.0 * replaced_ohm] * 3, WORTH, TWO_18, clips)
    assert wrong.void_reason is not None
