"""No page has a serious fault for people who see, hear or move otherwise; keys alone will do."""

import gzip
from collections.abc import Iterator

import pytest
from flask import Flask
from playwright.sync_api import Browser, Page, expect

from station.bench.board import Stage
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.web.accessibility import (
    BROKEN,
    MOST_SCREENS,
    PRIMARY,
    SCREENS,
    faults,
    html_faults,
    pages_reached,
)
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of


@pytest.fixture
def signed_in(browser: Browser, address: str, ledger: Ledger) -> Iterator[Page]:
    """A lead's window on the bench's touch screen."""
    give_secret(ledger, "Ann Example")
    context = browser.new_context(viewport={"width": 800, "height": 480}, base_url=address)
    page = context.new_page()
    with cheap_hashes():
        page.goto("/sign-in")
        page.get_by_label("Name").select_option("Ann Example")
        page.get_by_label("PIN or passphrase").fill(PASSPHRASE)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("main")).to_be_visible()
    yield page
    context.close()


MOST_BYTES = 100_000
UNFOLD = "document.querySelectorAll('main details').forEach(it => { it.open = true; })"


def test_no_page_that_links_lead_to_has_a_fault_or_is_long_or_heavy_or_asks_two_things(
    signed_in: Page, app: Flask, address: str
) -> None:
    reached, found = [], []
    for endpoint, source in pages_reached(signed_in, app, address):
        reached.append(endpoint)
        found += [f"{endpoint}: {one}" for one in html_faults(source)]
        found += [f"{endpoint}: {one}" for one in signed_in.evaluate(BROKEN)]
        found += [f"{endpoint}: not the only act: {one}" for one in signed_in.evaluate(PRIMARY)]
        if not signed_in.locator(".help").count():
            found.append(f"{endpoint} has no help")
        if signed_in.evaluate(SCREENS) > MOST_SCREENS:
            found.append(f"{endpoint} is longer than {MOST_SCREENS} screens")
        if len(gzip.compress(source.encode())) > MOST_BYTES:
            found.append(f"{endpoint} is heavier than {MOST_BYTES} bytes, packed")
        signed_in.evaluate(UNFOLD)
        found += faults(signed_in)
    assert found == []
    assert {*reached} >= {
        "today.today", "bench.bench_page", "samples.sample_page", "tools.nest_page",
        "calibration.check_page", "calibration.procedure", "reference.words_page",
        "reference.connectors",
    }  # fmt: skip


@pytest.mark.parametrize("stage", list(Stage))
def test_no_stage_of_the_bench_has_a_serious_fault(
    page: Page, bench: BenchAtHand, stage: Stage
) -> None:
    if stage is not Stage.IDLE:
        bench.clip(order_of("Bo Invented", "blue"))
    if stage is Stage.DONE:
        bench.give_up("enough")
    else:
        bench.board.show(stage=stage, resistance_readings_ohm=(2e-3,), force_n=90.0, peak_n=91.0)
    page.goto("/bench")
    assert faults(page) == []


@pytest.mark.parametrize("path", ["/samples/none-such", "/nowhere"])
def test_error_pages_have_no_serious_fault(page: Page, path: str) -> None:
    page.goto(path)
    assert faults(page) == []


def test_a_word_in_a_closed_group_is_shown_where_a_link_leads_to_it(page: Page) -> None:
    page.goto("/bench")
    page.locator(".help summary").click()
    page.locator(".help a").first.click()
    expect(page.locator("dt:target")).to_be_in_viewport()


def test_the_checker_finds_what_the_html_standard_forbids(page: Page) -> None:
    wrong = (
        "<!doctype html><html lang='en'><title>Wrong</title><main><p id='a'><div id='a'></p>"
        "<label for='b'>x</label><button>One<a href='#a'>in</a></button> <button>Two</button>"
    )
    page.set_content(wrong)
    assert any("unexpected-end-tag" in one for one in html_faults(wrong))
    assert {one.split(":")[0] for one in page.evaluate(BROKEN)} == {
        "id twice", "points nowhere", "within another",
    }  # fmt: skip
    assert page.evaluate(PRIMARY) == ["Two"]


def test_the_checker_finds_faults(page: Page) -> None:
    page.set_content("<html><body><main><img src='data:,'><p style='color:#ccc'>faint</p></main>")
    rules = {line.split(": ")[1].split(" ")[0] for line in faults(page)}
    assert {"image-alt", "color-contrast", "html-has-lang"} <= rules


def test_the_checker_finds_what_is_faint_only_in_the_dark(page: Page) -> None:
    page.set_content(
        "<html lang='en'><title>Faint</title><style>:root { color-scheme: light dark }"
        " @media (prefers-color-scheme: dark) { p { color: #333; background: #111 } }</style>"
        "<body><main><h1>Faint</h1><p>faint</p></main>"
    )
    found = faults(page)
    assert len(found) == 1
    assert "color-contrast (dark" in found[0]


def press_tab_until(page: Page, name: str) -> None:
    """Move the focus with the keyboard alone to a control that is named so."""
    # Generous: more presses than there are controls, and it ends.
    for _ in range(80):
        page.keyboard.press("Tab")
        if name in page.evaluate(FOCUSED_NAME):
            assert page.evaluate(FOCUS_SHOWS), name
            return
    pytest.fail(f"No key press led to {name!r}.")


FOCUSED_NAME = """(() => {
  const it = document.activeElement;
  // While nothing has the focus the whole page stands for it, with all its words.
  if (it === document.body) return "";
  const label = it.labels && it.labels.length ? it.labels[0].textContent : it.textContent;
  return label.trim();
})()"""
FOCUS_SHOWS = "getComputedStyle(document.activeElement).outlineStyle !== 'none'"


def choose(page: Page, label: str, typed: str, value: str) -> None:
    press_tab_until(page, label)
    page.keyboard.type(typed)
    expect(page.locator(":focus")).to_have_value(value)


def test_a_sample_is_made_without_mouse_or_touch(
    page: Page, bench: BenchAtHand, troubles: list[str]
) -> None:
    bench.bay.gate.clear()
    page.goto("/bench")
    choose(page, "Person", "Bo", "Bo Invented")
    press_tab_until(page, "Tool and nest")
    page.keyboard.type("Hand tool 1, nest blue")
    choose(page, "Connector", "Butt splice, red", "butt-splice-red")
    choose(page, "Wire", "18", "18 AWG")
    press_tab_until(page, "Start this sample")
    page.keyboard.press("Enter")
    # What comes next has the focus: first the looks, with the joint in hand.
    expect(page.locator(".questions:visible")).to_be_focused()
    press_tab_until(page, "All as it should be, clips are on")
    page.keyboard.press("Enter")
    # Then one key goes on, as the footswitch does.
    expect(page.get_by_text("Hold still")).to_be_visible()
    bench.bay.gate.set()
    bench.until(Stage.GRIP)
    bench.bay.gate.clear()
    expect(page.get_by_role("button", name="Gripped, start recording")).to_be_focused()
    page.keyboard.press("Space")
    expect(page.get_by_text("Pull steadily")).to_be_visible()
    bench.bay.gate.set()
    expect(page.get_by_role("button", name="Wire drawn out of the barrel")).to_be_visible()
    # No answer is chosen beforehand, but the next tab reaches the first.
    expect(page.get_by_role("group", name="How it let go")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Wire drawn out of the barrel")).to_be_focused()
    assert page.evaluate(FOCUS_SHOWS)
    assert bench.board.state.stage is Stage.NAME_FAILURE
    # The verdict comes to the old page as well: it is the new one that keeps the focus.
    with page.expect_navigation():
        page.keyboard.press("Enter")
    expect(page.locator("#verdict")).to_have_text("Pass")
    press_tab_until(page, "See this sample")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Sample of")).to_be_visible()
    assert troubles == []


def test_the_first_key_press_offers_to_skip_the_links(page: Page) -> None:
    page.goto("/samples")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Skip to the content")
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#content"
