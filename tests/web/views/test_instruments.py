"""What the page says of calibration and checks."""

import html
import re
from collections.abc import Callable
from datetime import date

import pytest
from flask.testing import FlaskClient

from station.ledger.entries import InstrumentCalibrated, InstrumentChecked
from station.ledger.store import Ledger
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED
from tests.web.benches import BenchAtHand

Enter = Callable[[date], None]
PAGES = ("/", "/bench", "/instruments")


@pytest.fixture
def calibrated(ledger: Ledger) -> Enter:
    # The page's clock stands at 2031-03-04.
    def enter(due_on: date) -> None:
        when = {"calibrated_on": date(2030, 1, 1), "due_on": due_on}
        ledger.append(
            InstrumentCalibrated.model_validate(CALIBRATED.model_dump() | when), person="Ann"
        )

    return enter


def checked(ledger: Ledger, passed: bool) -> None:
    reason = None if passed else "0.0012 is 0.0002 from 0.001"
    change = {"passed": passed, "reason": reason}
    ledger.append(InstrumentChecked.model_validate(CHECKED.model_dump() | change), person="Ann")


def text_of(client: FlaskClient, page: str) -> str:
    answer = client.get(page, follow_redirects=True)
    assert answer.status_code == 200
    return html.unescape(answer.text)


def test_a_calibrated_instrument_shows_its_due_date_and_its_chart(
    client: FlaskClient, ledger: Ledger, calibrated: Enter
) -> None:
    calibrated(date(2032, 1, 1))
    checked(ledger, passed=True)
    text = text_of(client, "/instruments")
    assert "Milliohm meter: Valid" in text
    assert "C-1</a> of 2030-01-01" in text
    assert "check resistor R-1: 1 checks, the last passed" in text
    assert 'role="alert">Milliohm' not in text_of(client, "/bench")


@pytest.mark.parametrize("page", PAGES)
def test_overdue_is_said_on_every_page(client: FlaskClient, calibrated: Enter, page: str) -> None:
    calibrated(date(2031, 3, 3))
    text = text_of(client, page)
    assert "Calibration was due on 2031-03-03" in text
    assert "Samples are judged and marked." in text


def test_the_last_day_is_not_overdue(client: FlaskClient, calibrated: Enter) -> None:
    calibrated(date(2031, 3, 4))
    assert "Calibration was due" not in text_of(client, "/bench")
    assert "Milliohm meter: Due soon" in text_of(client, "/instruments")


@pytest.mark.parametrize("page", PAGES)
def test_a_failed_check_is_said_on_every_page(
    client: FlaskClient, ledger: Ledger, calibrated: Enter, page: str
) -> None:
    calibrated(date(2032, 1, 1))
    checked(ledger, passed=False)
    text = text_of(client, page)
    assert "The check resistor R-1 failed" in text
    assert "no sample is judged with it" in text


def test_the_setting_is_what_the_page_says(
    client: FlaskClient, bench: BenchAtHand, calibrated: Enter
) -> None:
    calibrated(date(2031, 3, 3))
    bench.settings = bench.settings.model_copy(update={"uncalibrated": "block"})
    assert "no sample is judged with it" in text_of(client, "/bench")


def test_an_instrument_without_a_calibration_is_missing_on_its_page_only(
    client: FlaskClient,
) -> None:
    assert "There is no calibration on record" in text_of(client, "/instruments")
    assert "There is no calibration on record" not in text_of(client, "/bench")


def test_hostile_names_stay_text(client: FlaskClient, ledger: Ledger) -> None:
    hostile = CALIBRATED.model_dump() | {
        "instrument": "<script>bad()</script>",
        "due_on": date(2025, 2, 1),
    }
    ledger.append(InstrumentCalibrated.model_validate(hostile), person="Ann")
    assert "<script>bad()" not in client.get("/instruments").text


def test_standards_are_listed_with_what_is_overdue(client: FlaskClient) -> None:
    text = text_of(client, "/instruments")
    assert "invented-weight-5-kg, certificate INVENTED-W-0005, due 2028-02-16" in re.sub(
        r"</?strong>", "", text
    )
    # The page's day is 2031-03-04.
    assert "The standard invented-weight-5-kg (INVENTED-W-0005) was due on 2028-02-16" in text
