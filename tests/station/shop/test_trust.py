"""What the settings make of an instrument's state."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Literal

import pytest

from calibration.standing import CalibrationState
from station.errors import CalibrationNeeded
from station.ledger.entries import InstrumentCalibrated, InstrumentChecked, InstrumentUsed
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.trust import Trust, attention
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED

USED = InstrumentUsed(profile="any", identity="invented", port="none")
NOON = datetime(2024, 6, 1, 12, tzinfo=UTC)

Policy = Literal["block", "mark"]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "station.ledger") as opened:
        yield opened


def book(
    ledger: Ledger, uncalibrated: Policy = "mark", failed: Policy = "block", at: datetime = NOON
) -> Trust:
    settings = Settings(uncalibrated=uncalibrated, check_failed=failed)
    return Trust(ledger.reader, settings, clock=lambda: at)


def calibrated(ledger: Ledger, due_on: date = date(2025, 2, 1)) -> InstrumentCalibrated:
    payload = CALIBRATED.model_copy(update={"due_on": due_on})
    ledger.append(payload, person="Ana")
    return payload


def checked(ledger: Ledger, passed: bool) -> InstrumentChecked:
    payload = CHECKED.model_copy(update={"passed": passed, "reason": None if passed else "too far"})
    ledger.append(payload, person="Ana")
    return payload


def bring_about(ledger: Ledger, state: CalibrationState) -> None:
    if state is not CalibrationState.MISSING:
        calibrated(
            ledger, date(2024, 5, 1) if state is CalibrationState.OVERDUE else date(2025, 2, 1)
        )
    checked(ledger, passed=state is not CalibrationState.FAILED)


@pytest.mark.parametrize("uncalibrated", ["block", "mark"])
@pytest.mark.parametrize("failed", ["block", "mark"])
@pytest.mark.parametrize(
    "state",
    [
        CalibrationState.VALID,
        CalibrationState.MISSING,
        CalibrationState.OVERDUE,
        CalibrationState.FAILED,
    ],
)
def test_each_state_does_what_the_setting_names(
    ledger: Ledger, state: CalibrationState, uncalibrated: Policy, failed: Policy
) -> None:
    bring_about(ledger, state)
    trusted = book(ledger, uncalibrated, failed)
    found = trusted.of("meter", "invented")
    policy = {CalibrationState.VALID: "mark", CalibrationState.FAILED: failed}.get(
        state, uncalibrated
    )
    assert found.state is state
    assert found.blocked == (policy == "block")
    assert found.warns == (state is not CalibrationState.VALID)
    if found.blocked:
        with pytest.raises(CalibrationNeeded, match="no sample is judged"):
            trusted.demand("meter", "invented")
    else:
        assert trusted.demand("meter", "invented") == found
        assert ("marked" in found.sentence) == (state is not CalibrationState.VALID)


@pytest.mark.parametrize(
    ("state", "corrects"),
    [
        (CalibrationState.VALID, True),
        (CalibrationState.OVERDUE, False),
        (CalibrationState.FAILED, False),
        (CalibrationState.MISSING, False),
    ],
)
def test_only_a_calibration_in_force_corrects(
    ledger: Ledger, state: CalibrationState, corrects: bool
) -> None:
    bring_about(ledger, state)
    found = book(ledger).of("meter", "invented")
    assert (found.line is not None) == corrects
    if found.line is not None:
        # The invented meter reads 0.1 % high.
        assert found.line.correct(1.001e-3)[0] == pytest.approx(1e-3)


def test_the_record_says_state_and_certificate(ledger: Ledger) -> None:
    entry_id = ledger.append(CALIBRATED, person="Ana").id
    noted = book(ledger).of("meter", "invented").noted(USED, corrected=True)
    assert noted.calibration_id == entry_id
    assert noted.calibration_state == "valid"
    assert noted.reading_corrected
    other = book(ledger).of("meter", "another").noted(USED, corrected=False)
    assert (other.calibration_id, other.calibration_state) == (None, "missing")


def test_the_latest_calibration_counts_whichever_was_entered_last(ledger: Ledger) -> None:
    calibrated(ledger)
    old = {"calibrated_on": date(2023, 2, 1), "due_on": date(2024, 2, 1)}
    ledger.append(CALIBRATED.model_copy(update=old), person="Ana")
    assert book(ledger).of("meter", "invented").state is CalibrationState.VALID


def test_points_that_make_no_line_correct_nothing(ledger: Ledger) -> None:
    two = CALIBRATED.model_copy(update={"as_found": CALIBRATED.as_found[:2]})
    ledger.append(two, person="Ana")
    found = book(ledger).of("meter", "invented")
    assert found.state is CalibrationState.VALID
    assert found.line is None


def test_every_instrument_on_record_is_listed(ledger: Ledger) -> None:
    calibrated(ledger)
    tester = {"role": "tester", "instrument": "T", "check": "weight"}
    ledger.append(CHECKED.model_copy(update=tester), person="Ana")
    found = [(trust.role, trust.instrument, trust.state) for trust in book(ledger).all()]
    assert found == [
        ("tester", "T", CalibrationState.MISSING),
        ("meter", "invented", CalibrationState.VALID),
    ]


def test_due_dates_are_those_of_the_clock_given(ledger: Ledger) -> None:
    calibrated(ledger, date(2024, 6, 1))
    last_minute = datetime(2024, 6, 1, 23, 59, tzinfo=UTC)
    assert book(ledger, at=last_minute).of("meter", "invented").state is CalibrationState.DUE_SOON
    after = datetime(2024, 6, 2, 0, 1, tzinfo=UTC)
    assert book(ledger, at=after).of("meter", "invented").state is CalibrationState.OVERDUE


def test_attention_names_the_worst_first_and_nothing_that_is_in_order(ledger: Ledger) -> None:
    calibrated(ledger)
    assert attention(book(ledger).all(with_samples=False)) is None
    late = CALIBRATED.model_copy(
        update={"role": "tester", "instrument": "late", "due_on": date(2024, 5, 1)}
    )
    ledger.append(late, person="Ana")
    checked(ledger, passed=False)
    said = attention(book(ledger).all(with_samples=False))
    assert said is not None
    assert said.startswith("Milliohm meter (invented): The check resistor R-1 failed")
    assert "Pull tester (late): Calibration was due on 2024-05-01" in said


def test_attention_is_not_raised_by_an_instrument_that_was_never_calibrated(
    ledger: Ledger,
) -> None:
    checked(ledger, passed=True)
    assert book(ledger).all(with_samples=False)[0].state is CalibrationState.MISSING
    assert attention(book(ledger).all(with_samples=False)) is None
