"""A calibration, a check and a gauge study in a real browser, on the bench's screen."""

import re

from playwright.sync_api import Page, expect

from station.ledger.entries import InstrumentCalibrated, InstrumentChecked
from station.ledger.store import Ledger
from station.shop.studies import studies
from tests.doors import PASSPHRASE, cheap_hashes, give_secret

METER = "Invented meter"


def sign_in(page: Page, ledger: Ledger) -> None:
    give_secret(ledger, "Ann Example")
    page.goto("/sign-in")
    page.get_by_label("Name").select_option("Ann Example")
    page.locator("input[name=secret]").fill(PASSPHRASE)
    with cheap_hashes():
        page.locator("main").get_by_role("button", name="Sign in").click()
        expect(page).not_to_have_url(re.compile("sign-in"))


def test_a_lead_calibrates_the_meter(page: Page, ledger: Ledger, troubles: list[str]) -> None:
    sign_in(page, ledger)
    page.goto(f"/instruments/calibrate?role=meter&instrument={METER}")
    page.get_by_label("Certificate number").fill("C-9")
    page.get_by_label("Calibrated by").fill("an invented laboratory")
    page.get_by_label("Calibrated on").fill("2031-01-10")
    page.get_by_label("Due on").fill("2032-01-10")
    page.get_by_label("Standards used").fill("R-1 to R-4")
    for count, reference in enumerate((0.1, 1.0, 2.0, 10.0), start=1):
        page.get_by_label(f"Reference of point {count} as found").fill(f"{reference}")
        page.get_by_label(f"Reading of point {count} as found").fill(f"{reference * 1.002:.6g}")
    page.get_by_role("button", name="Enter the calibration").click()
    expect(page.get_by_role("heading", name="Calibration C-9: accepted")).to_be_visible()
    assert len(list(ledger.reader.entries(kind=InstrumentCalibrated.KIND))) == 1
    assert troubles == []


def test_a_check_fails_and_everybody_is_told(
    page: Page, ledger: Ledger, troubles: list[str]
) -> None:
    page.goto(f"/instruments/check?role=meter&instrument={METER}")
    page.get_by_role("link", name="Another check resistor").click()
    page.get_by_label("Which one").fill("R-1")
    page.get_by_label("It should read").fill("1")
    page.get_by_label("It may be off by").fill("0.01")
    page.get_by_label("Person").select_option("Bo Invented")
    page.get_by_text("Read by hand").click()
    page.get_by_label("Readings").fill("1.02 1.021")
    page.get_by_role("button", name="Record the readings").click()
    expect(page.get_by_role("heading", name="Check resistor R-1: failed")).to_be_visible()
    page.goto("/")
    expect(page.get_by_role("alert").first).to_contain_text("The check resistor R-1 failed")
    assert len(list(ledger.reader.entries(kind=InstrumentChecked.KIND))) == 1
    assert troubles == []


def test_a_study_is_walked_to_its_picture_over_a_closed_page(
    page: Page, ledger: Ledger, troubles: list[str]
) -> None:
    page.goto("/instruments/studies")
    page.locator("select[name=kind]").select_option("clips off and on again")
    page.locator("input[name=title]").fill("Clips in spring")
    page.get_by_label("Instrument").fill(METER)
    page.get_by_label("Who measures").fill("Bo Invented")
    page.get_by_label("Labels of parts").fill("P1")
    page.locator("input[name=clippings]").fill("3")
    page.locator("input[name=each]").fill("2")
    page.get_by_label("Limit").fill("2")
    page.get_by_label("Person").select_option("Bo Invented")
    page.get_by_role("button", name="Begin the study").click()
    address = page.url
    for turn, value in enumerate((1.00, 1.02, 1.10, 1.12, 0.90, 0.92), start=1):
        expect(page.get_by_text(f"Turn {turn} of 6")).to_be_visible()
        page.get_by_label("Readings in mΩ").first.fill(f"{value}")
        page.get_by_role("button", name="Record", exact=True).click()
        if turn == 3:
            page.goto("about:blank")
            page.goto(address)
    expect(page.get_by_text("Can good be told from bad at 2 mΩ? Yes")).to_be_visible()
    expect(page.locator("svg.figure")).to_be_visible()
    assert studies(ledger.reader)[0].complete
    assert troubles == []
