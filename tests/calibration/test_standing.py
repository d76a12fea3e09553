import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.standing import (
    CalibrationLine,
    CalibrationPoint,
    CalibrationRecord,
    CalibrationState,
    CheckResult,
    failed_check,
    last_good_check,
    standing,
)

NOON = datetime(2031, 6, 15, 12, tzinfo=UTC)


def record(
    due_on: date, seq: int = 1, calibrated_on: date = date(2031, 1, 10)
) -> CalibrationRecord:
    return CalibrationRecord("id", seq, "C-1", "R-1", "Ottilie", calibrated_on, due_on)


def check(seq: int, passed: bool, at: datetime = NOON, standard: str = "R-1") -> CheckResult:
    reason = None if passed else "0.0105 is 0.0005 from 0.01, and 0.0001 is allowed"
    return CheckResult(seq, at, "resistor", standard, 0.01, 1e-4, 0.01, passed, reason)


@pytest.mark.parametrize(
    ("due_on", "state"),
    [
        (date(2032, 1, 1), CalibrationState.VALID),
        (date(2031, 7, 16), CalibrationState.VALID),
        (date(2031, 7, 14), CalibrationState.DUE_SOON),
        (date(2031, 6, 15), CalibrationState.DUE_SOON),
        (date(2031, 6, 14), CalibrationState.OVERDUE),
    ],
)
def test_state_by_due_date(due_on: date, state: CalibrationState) -> None:
    found = standing(record(due_on), [], NOON)
    assert found.state is state
    assert str(due_on) in found.sentence
    assert found.due_on == due_on


def test_without_a_calibration_it_is_missing() -> None:
    assert standing(None, [], NOON).state is CalibrationState.MISSING


def test_a_calibration_that_was_not_accepted_is_a_failure() -> None:
    refused = replace(record(date(2032, 1, 1)), accepted=False)
    found = standing(refused, [], NOON)
    assert found.state is CalibrationState.FAILED
    assert "C-1" in found.sentence


def test_a_failed_check_counts_until_the_same_check_passes() -> None:
    good = record(date(2032, 1, 1))
    assert standing(good, [check(2, False)], NOON).state is CalibrationState.FAILED
    other = check(3, True, standard="R-2")
    assert standing(good, [check(2, False), other], NOON).state is CalibrationState.FAILED
    assert standing(good, [check(2, False), check(3, True)], NOON).state is CalibrationState.VALID


def test_a_calibration_makes_a_failed_check_good_only_if_made_after_it() -> None:
    failed = [check(5, False)]
    after = record(date(2032, 1, 1), seq=6, calibrated_on=date(2031, 6, 15))
    entered_late = record(date(2032, 1, 1), seq=6)
    assert failed_check(after, failed) is None
    assert failed_check(entered_late, failed) == failed[0]
    assert standing(entered_late, failed, NOON).state is CalibrationState.FAILED


def test_a_failed_check_of_an_uncalibrated_instrument_says_why() -> None:
    found = standing(None, [check(2, False)], NOON)
    assert found.state is CalibrationState.FAILED
    assert "0.0105 is 0.0005 from 0.01" in found.sentence


def test_checks_can_be_demanded() -> None:
    good, day = record(date(2032, 1, 1)), timedelta(days=1)
    assert standing(good, [], NOON, check_every=day).state is CalibrationState.OVERDUE
    yesterday = check(2, True, NOON - day)
    assert standing(good, [yesterday], NOON, check_every=day).state is CalibrationState.VALID
    late = standing(good, [yesterday], NOON + timedelta(minutes=1), check_every=day)
    assert late.state is CalibrationState.OVERDUE
    assert "2031-06-14" in late.sentence


def test_last_good_check_is_of_the_same_series() -> None:
    checks = [check(1, True), check(2, True), check(3, True, standard="R-2"), check(4, False)]
    assert last_good_check(checks, checks[-1]) == checks[1]
    assert last_good_check(checks[2:], checks[-1]) is None


def test_correction_and_prediction_of_gum_h3() -> None:
    # JCGM 100:2008, example H.3 [seen-3]: b(30 °C) = -0.1494, u 0.0041; scatter 0.0035, 9 dof.
    # The readings here are t + b, so that the line's slope is 1.00218.
    t = [1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511]
    b = [-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]
    points = [CalibrationPoint(x, 0.0, x + y / 1e3) for x, y in zip(t, b, strict=True)]
    line = CalibrationLine.through(points)
    value, lines = line.correct(10.0 - 0.1494)
    assert value == pytest.approx(10.0, abs=1e-4)
    assert lines[0].u * line.fit.slope == pytest.approx(math.hypot(0.0041386, 0.0034976), rel=1e-4)
    assert lines[0].dof == 9
    assert not line.covers(10.0)
    assert line.covers(4.0)


def test_reference_and_drift_have_lines_of_their_own() -> None:
    points = [CalibrationPoint(float(x), 0.01 * x, 2.0 * x) for x in (1, 2, 3)]
    line = CalibrationLine.through(points, drift_fraction=0.03)
    value, lines = line.correct(5.0)
    assert value == pytest.approx(2.5)
    by_name = {item.name: item.u for item in lines}
    assert by_name["reference standard"] == pytest.approx(0.025)
    assert by_name["drift since calibration"] == pytest.approx(0.03 * 2.5 / math.sqrt(3))


@given(
    st.floats(-1.0, 1.0), st.floats(0.5, 2.0),
    st.lists(st.floats(0.1, 100.0), min_size=3, max_size=8, unique_by=lambda x: round(x, 1)),
    st.floats(0.0, 1.0),
)  # fmt: skip
def test_a_straight_instrument_is_corrected_exactly(
    offset: float, scale: float, references: list[float], share: float
) -> None:
    line = CalibrationLine.through(CalibrationPoint(x, 0.0, offset + scale * x) for x in references)
    truth = min(references) + share * (max(references) - min(references))
    reading = offset + scale * truth
    assert line.correct(reading)[0] == pytest.approx(truth, abs=1e-6)
    assert line.covers(reading)


def test_as_left_goes_before_as_found() -> None:
    found = (CalibrationPoint(1.0, 0.0, 1.5),)
    left = (CalibrationPoint(1.0, 0.0, 1.0),)
    fields = ("i", 1, "c", "r", "p", date(2031, 1, 1), date(2032, 1, 1))
    assert CalibrationRecord(*fields, found, left).points == left
    assert CalibrationRecord(*fields, found).points == found


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([(1.0, 1.0), (2.0, 2.0)], "at least 3"),
        ([(1.0, 1.0), (1.0, 1.0), (1.0, 1.0)], "equal"),
        ([(1.0, 3.0), (2.0, 2.0), (3.0, 1.0)], "do not rise"),
    ],
)
def test_points_that_make_no_line(points: list[tuple[float, float]], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        CalibrationLine.through(CalibrationPoint(x, 0.0, y) for x, y in points)
