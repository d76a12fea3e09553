"""A whole daily check by a scanner alone, at the bench's own screen, and the labels it reads."""

import io
import re
import shutil
from pathlib import Path

import matplotlib.image
import zxingcpp
from playwright.sync_api import Page, expect

from station.crimp.pull.reduce import FAILURE_MODES
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.walks.daily_check import PERSON, STEP_MS
from tests.walks.longer_jobs import (
    CANDIDATE,
    LABELLER,
    LEAD,
    TOOL,
    browsed,
    sign_in,
    two_copies,
    waiting,
)
from tests.walks.taps import at_the_screen
from web.format import place
from web.labels import Label, labels

GO, DRAWN = Label("A", "go", ""), Label("A", "drawn_out", "")


def scan(page: Page, label: Label) -> None:
    """Type as a scanner does, wherever the focus is, once the page listens."""
    page.wait_for_load_state("domcontentloaded")
    page.keyboard.type(label.code)
    page.keyboard.press("Enter")


def test_a_daily_check_by_scans_alone_and_the_sheet_is_read_by_another_decoder(
    invented_shop: Path, tmp_path: Path
) -> None:
    path = tmp_path / "demo.ledger"
    shutil.copy(invented_shop, path)
    with at_the_screen(path) as finger:
        page = finger.page
        sheet_is_read(page, path)
        page.goto("/")
        scan(page, Label("N", "none such", ""))
        expect(page.locator("#scanned")).to_contain_text("This label is none of this shop's")
        scan(page, Label("N", place("Heron", "red"), ""))
        expect(page.get_by_role("button", name=PERSON)).to_be_visible(timeout=STEP_MS)
        scan(page, Label("P", PERSON, ""))
        clips = page.get_by_role("button", name="All as it should be, clips are on")
        expect(clips).to_be_visible(timeout=STEP_MS)
        scan(page, Label("N", place("Heron", "blue"), ""))
        expect(page.locator("#scanned")).to_contain_text("Wrong: Heron, nest blue is not the one")
        scan(page, DRAWN)
        expect(page.locator("#scanned")).to_contain_text("Nothing on this page asks for that.")
        expect(clips).to_be_visible()
        checked_by_scans(page)
    with Ledger.open(path, create=False) as ledger:
        verdicts = [row.verdict for row in ledger.reader.samples("Heron", "red", limit=2)]
    assert verdicts == ["pass", "pass"]


def checked_by_scans(page: Page) -> None:
    """From the first clip step to the outcome of the check."""
    paper = page.get_by_role("link", name="Save the paper")
    go_on = page.locator(".outcome .big", has_text=re.compile("^Next: "))
    scan(page, GO)
    while True:
        measured_by_scans(page)
        expect(paper.or_(go_on).first).to_be_visible(timeout=STEP_MS)
        if paper.is_visible():
            return
        scan(page, GO)


def measured_by_scans(page: Page) -> None:
    """From the grips to the verdict."""
    expect(page.get_by_role("button", name="Gripped")).to_be_visible(timeout=STEP_MS)
    scan(page, GO)
    modes, verdict = page.locator("button[name=mode]"), page.locator("#verdict")
    # A void of the instruments' own asks nothing.
    expect(modes.or_(verdict).filter(visible=True).first).to_be_visible(timeout=STEP_MS)
    if modes.first.is_visible():
        scan(page, DRAWN)
    expect(verdict).to_be_visible(timeout=STEP_MS)


def sheet_is_read(page: Page, path: Path) -> None:
    """Every code of the printed sheet, by a decoder that is not the encoder's."""
    with LedgerReader.open(path) as reader:
        due = {one.code for group in labels(reader).values() for one in group}
    assert len(due) > len(FAILURE_MODES) + 9
    page.goto("/labels")
    page.emulate_media(media="print")
    picture = matplotlib.image.imread(io.BytesIO(page.screenshot(full_page=True)))
    page.emulate_media(media="screen")
    read = zxingcpp.read_barcodes((255 * picture[:, :, :3]).astype("uint8"))
    assert {one.text for one in read} == due


def test_a_coded_sample_is_judged_and_measured_by_scans_alone(
    invented_shop: Path, tmp_path: Path
) -> None:
    shop, _ = two_copies(invented_shop, tmp_path)
    with browsed(shop) as page:
        sign_in(page, LEAD)
        page.goto("/certifications")
        page.locator("[name=candidate]").select_option(CANDIDATE)
        page.locator("[name=tool]").select_option(TOOL)
        page.locator("[name=plan]").select_option("short-certification")
        page.get_by_role("button", name="Begin the certification").click()
        expect(page).to_have_url(re.compile("/certifications/.{36}"))
        job = page.url
        sign_in(page, LABELLER)
        page.goto(job)
        page.get_by_role("button", name="Show me the key: I label the samples").click()
        expect(page.get_by_role("heading", name="Key for the labels")).to_be_visible()
        code = waiting(shop)
        assert code is not None
        assert f"<title>CRIMP.C{code}</title>" in page.content()
        sign_in(page, LEAD)
        scan(page, Label("C", code, ""))
        expect(
            page.get_by_role("button", name="Looked at: all good but what is ticked")
        ).to_be_visible()
        scan(page, GO)
        expect(page.get_by_role("button", name="Measure it now")).to_be_visible()
        scan(page, Label("P", LEAD, ""))
        expect(page.locator("#scanned")).to_contain_text(LEAD)
        scan(page, GO)
        expect(page.get_by_role("button", name="Clips are on")).to_be_visible()
        scan(page, GO)
        measured_by_scans(page)
    with LedgerReader.open(shop.path) as reader:
        (row,) = reader.samples(limit=1)
    assert (row.step, row.verdict is not None) == (code, True)
