"""The page in a real browser: the bench's screen, a phone, and one sample from start to end."""

import re
from dataclasses import replace
from unittest.mock import Mock

import pytest
from playwright.sync_api import Browser, Page, expect

from station.bench.board import Stage
from station.errors import InstrumentSilent
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, PIN, give_secret
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of

PATHS = (
    "/",
    "/bench",
    "/more",
    "/samples",
    "/tools",
    "/tools/Hand tool 1/red",
    "/limits",
    "/limits?size=18+AWG",
    "/instruments",
    "/instruments/check?role=meter",
    "/instruments/check?role=tester",
    "/instruments/check?role=meter&kind=resistor",
    "/instruments/calibrate?role=meter",
    "/instruments/calibrate?role=tester",
    "/instruments/look-back?tool=Hand tool 1",
    "/instruments/procedure/gauge_study",
    "/instruments/studies",
    "/people",
    "/sign-in",
    "/sign-in/first",
    "/words",
    "/connectors",
)
SIZES = ((800, 480), (390, 844), (1280, 800))
TARGET_PX = 44
"""Stricter than WCAG 2.2, success criterion 2.5.8 (24 px); that of 2.5.5 [memory]."""

OVERFLOW = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
TOO_SMALL = """target => [...document.querySelectorAll(
    "button, select, input:not([type=hidden]), a.button, nav a, summary")]
  .filter(control => control.checkVisibility())
  .filter(control => {
    const box = control.getBoundingClientRect();
    return box.width < target || box.height < target;
  })
  .map(control => control.outerHTML)"""


@pytest.mark.parametrize("path", PATHS)
def test_page_fits_every_screen_without_complaint(
    page: Page, troubles: list[str], path: str
) -> None:
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.goto(path)
        expect(page.locator("h1").first).to_be_attached()
        assert page.evaluate(OVERFLOW) <= 0
        assert page.evaluate(TOO_SMALL, TARGET_PX) == []
    assert troubles == []


def test_sample_page_fits_and_shows_its_trace(
    page: Page, troubles: list[str], records: LedgerReader
) -> None:
    row = next(row for row in records.samples() if row.trace_sha256)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.goto(f"/samples/{row.sample_id}")
        expect(page.locator("svg.figure")).to_be_visible()
        assert page.evaluate(OVERFLOW) <= 0
    assert troubles == []


@pytest.mark.parametrize("stage", [stage for stage in Stage if stage is not Stage.DONE])
def test_bench_fits_at_every_stage(
    page: Page, bench: BenchAtHand, troubles: list[str], stage: Stage
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    bench.board.show(stage=stage, resistance_readings_ohm=(2e-3,), force_n=90.0, peak_n=91.0)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.goto("/bench")
        assert page.evaluate(OVERFLOW) <= 0
        assert page.evaluate(TOO_SMALL, TARGET_PX) == []
    assert troubles == []


def test_a_pull_without_points_yet_is_drawn_without_a_fault(
    page: Page, bench: BenchAtHand, troubles: list[str]
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    page.goto("/bench")
    bench.board.trace.begin()
    bench.board.show(stage=Stage.PULLING)
    expect(page.locator("#live")).to_have_attribute("data-now", "pulling")
    page.evaluate("() => new Promise(requestAnimationFrame)")
    assert troubles == []


def test_the_newest_point_and_the_limit_are_in_the_picture_on_a_phone(page: Page) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/tools/Hand tool 1/red")
    plot = page.locator("svg.plot").first
    box = plot.bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 390
    for inside in (plot.locator("a").last, plot.locator(".limit")):
        found = inside.bounding_box()
        assert found is not None
        assert box["x"] <= found["x"] <= found["x"] + found["width"] <= box["x"] + box["width"]
    assert plot.locator("text").first.evaluate(
        "it => 12 <= parseFloat(getComputedStyle(it).fontSize) * it.getScreenCTM().a"
    )


def test_every_point_of_the_figure_tells_its_values_and_leads_to_its_sample(page: Page) -> None:
    page.goto("/tools/Hand tool 1/red")
    plot, panel = page.locator("svg.plot").first, page.locator("#point")
    point = plot.locator("a").first
    point.locator("use").click()
    told = panel.get_by_role("status")
    expect(told).to_contain_text(point.locator("title").text_content() or "no title")
    # The resistance of the same sample, and the next one from there.
    expect(told).to_contain_text("mΩ")
    panel.get_by_role("button", name="Sample after").click()
    expect(told).to_contain_text(plot.locator("a").nth(1).locator("title").text_content() or "-")
    address = plot.locator("a").nth(1).get_attribute("href")
    panel.get_by_role("link").click()
    expect(page).to_have_url(re.compile(f"{address}$"))
    expect(page.get_by_role("heading", name="Sample of")).to_be_visible()


def test_hostile_name_runs_nothing(page: Page, troubles: list[str]) -> None:
    for path in ("/", "/samples", "/people"):
        page.goto(path)
        expect(page).not_to_have_title("broken")
        assert "<script>" in page.inner_text("main")
    assert troubles == []


def fill_form(page: Page) -> None:
    page.goto("/bench")
    page.get_by_label("Person").select_option("Bo Invented")
    page.get_by_label("Tool and nest").select_option(label="Hand tool 1, nest blue")
    page.get_by_label("Connector").select_option("butt-splice-red")
    page.get_by_role("combobox", name="Wire", exact=True).select_option("18 AWG")
    page.get_by_role("button", name="Start this sample").click()


def test_sample_goes_from_form_to_verdict(
    page: Page, bench: BenchAtHand, troubles: list[str]
) -> None:
    bench.bay.gate.clear()
    bench.bay.ohm = 2.071e-3
    fill_form(page)
    expect(page.get_by_text("Clip the four leads on")).to_be_visible()
    page.get_by_role("button", name="All as it should be, clips are on").click()
    expect(page.get_by_text("Looked at: all as it should be")).to_be_visible()
    expect(page.get_by_text("Hold still")).to_be_visible()
    bench.bay.gate.set()
    expect(page.get_by_text("2.071 mΩ")).to_be_visible()
    bench.until(Stage.GRIP)
    bench.bay.gate.clear()
    expect(page.get_by_text("Nobody in line with the pull. Guard closed.")).to_be_visible()
    page.get_by_role("button", name="Gripped, start recording").click()
    expect(page.get_by_text("Pull steadily")).to_be_visible()
    bench.board.show(force_n=120.0, peak_n=142.0)
    expect(page.get_by_text("120.0 N (27.0 lbf)")).to_be_visible()
    expect(page.get_by_text("142.0 N (31.9 lbf)")).to_be_visible()
    bench.bay.gate.set()
    bench.until(Stage.NAME_FAILURE)
    bench.board.show(suggested_mode="drawn_out")
    expect(page.locator("button.suggested")).to_have_text("Wire drawn out of the barrel")
    page.get_by_role("button", name="Broke in the free wire").click()
    expect(page.locator("#verdict")).to_have_text("Pass")
    expect(page.locator("#verdict use")).to_have_attribute("href", "#mark-pass")
    page.get_by_text("Why", exact=True).click()
    expect(page.get_by_text("above its limit")).to_be_visible()
    page.get_by_role("link", name="See this sample").click()
    expect(page.get_by_text("broke in the free wire")).to_be_visible()
    assert troubles == []


LISTEN = """
window.AudioContext = class { currentTime = 0; destination = {}; };
window.OscillatorNode = class {
  constructor(_, how) {
    const heard = JSON.parse(sessionStorage.heard || "[]");
    sessionStorage.heard = JSON.stringify([...heard, how.frequency]);
    document.documentElement.dataset.heard = sessionStorage.heard;
  }
  connect() {}
  start() {}
  stop() {}
};
"""


@pytest.mark.parametrize(("force_n", "heard"), [(142.0, [660, 990]), (60.0, [440, 220])])
def test_a_verdict_is_heard_once_where_that_was_chosen(
    page: Page, bench: BenchAtHand, troubles: list[str], force_n: float, heard: list[int]
) -> None:
    page.add_init_script(LISTEN)
    page.goto("/more")
    page.get_by_role("button", name="verdict by two tones").click()
    expect(page.get_by_role("button", name="verdict by two tones", pressed=True)).to_be_visible()
    page.goto("/bench")
    expect(page.get_by_role("button", name="Start this sample")).to_be_visible()
    bench.clip(order_of("Bo Invented", "blue"))
    expect(page.get_by_text("Clip the four leads on")).to_be_visible()
    bench.finish(force_n)
    expect(page.locator("#verdict")).to_be_visible()
    expect(page.locator("html")).to_have_attribute("data-heard", f"[{heard[0]},{heard[1]}]")
    page.goto("/bench")
    expect(page.locator("#verdict")).to_be_visible()
    assert page.evaluate("JSON.parse(sessionStorage.heard)") == heard
    assert troubles == []


def test_open_page_follows_what_another_began(
    page: Page, bench: BenchAtHand, troubles: list[str]
) -> None:
    page.goto("/bench")
    expect(page.get_by_role("button", name="Start this sample")).to_be_visible()
    bench.clip(replace(order_of("Ann Example", "red"), checklist={}))
    expect(page.locator(".questions:visible")).to_be_focused()
    expect(page.get_by_role("button", name="All as it should be, clips are on")).to_be_visible()
    expect(page.get_by_role("button", name="Start this sample")).to_be_hidden()
    bench.give_up("enough")
    expect(page.locator("#verdict")).to_have_text("Void")
    expect(page.locator("#verdict use")).to_have_attribute("href", "#mark-void")
    expect(page.get_by_text("Void: given up by the operator: enough.")).to_be_visible()
    assert troubles == []


def test_trouble_of_an_instrument_is_shown_as_text(page: Page, bench: BenchAtHand) -> None:
    page.goto("/bench")
    bench.board.show(trouble="The meter is <b>silent</b>: check its cable.")
    expect(page.get_by_text("The meter is <b>silent</b>: check its cable.")).to_be_visible()


def test_page_is_loaded_again_after_a_restart(page: Page, bench: BenchAtHand) -> None:
    page.goto("/bench")
    page.evaluate("document.getElementById('live').dataset.started = 'an earlier start'")
    bench.board.show(trouble="news")
    expect(page.locator("#live")).not_to_have_attribute("data-started", "an earlier start")


def test_wires_that_do_not_fit_the_barrel_cannot_be_chosen(page: Page) -> None:
    page.goto("/bench")
    page.get_by_label("Connector").select_option("butt-splice-yellow")
    enabled = page.locator("select[name=wire] option:not([disabled])")
    expect(enabled).to_have_text(
        ["Choose", "SAE 12", "12 AWG", "4 mm2", "SAE 10", "10 AWG", "6 mm2"]
    )


def test_a_joint_is_looked_at_with_it_in_hand(page: Page, bench: BenchAtHand) -> None:
    page.set_viewport_size({"width": 800, "height": 480})
    fill_form(page)
    looks = page.locator(".looks")
    expect(page.locator(".questions:visible")).to_be_focused()
    looks.get_by_text("Something is not as it should be").click()
    looks.get_by_role(
        "button", name="Are all strands inside, none astray outside the barrel? No"
    ).click()
    expect(page.get_by_text("This sample fails. It may still be measured")).to_be_visible()
    expect(page.locator(".questions:visible li")).to_have_count(5)
    looks.get_by_role("button", name="The rest is as it should be").click()
    expect(page.get_by_text("Looked at: 1 answered with no")).to_be_visible()
    expect(page.get_by_role("button", name="Clips are on")).to_be_focused()
    page.get_by_role("button", name="End here (fail)").click()
    expect(page.locator("#verdict")).to_have_text("Fail, not judged: pull, resistance")


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("stage", [Stage.CLIP_ON, Stage.GRIP])
def test_the_next_button_is_in_view_without_scrolling(
    page: Page, bench: BenchAtHand, address: str, language: str, stage: Stage
) -> None:
    page.context.add_cookies([{"name": "language", "value": language, "url": address}])
    bench.clip(replace(order_of("Bo Invented", "blue"), checklist={}))
    if stage is Stage.GRIP:
        bench.see_it_is_good()
        bench.grip()
    page.goto("/bench")
    box = page.locator(".steps [data-stage]:not([hidden]) .big").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 480


def test_a_wrong_barrel_can_be_chosen_on_purpose(page: Page) -> None:
    page.goto("/bench")
    page.get_by_label("Connector").select_option("butt-splice-yellow")
    page.get_by_label("wrong for the wire on purpose").check()
    page.locator("select[name=wire]").select_option("18 AWG")
    expect(page.locator("select[name=wire]")).to_have_value("18 AWG")


def test_a_lead_signs_in_by_the_buttons_of_the_touch_screen(
    page: Page, troubles: list[str], ledger: Ledger
) -> None:
    give_secret(ledger, "Ann Example", PIN)
    page.goto("/people/audit")
    page.get_by_label("Name").select_option("Ann Example")
    for digit in ("9", *PIN):
        page.get_by_role("button", name=digit, exact=True).click()
    for _ in ("9", *PIN):
        page.get_by_role("button", name="Erase").click()
    for digit in PIN:
        page.get_by_role("button", name=digit, exact=True).click()
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="What happened at the door")).to_be_visible()
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        for path in ("/people", "/people/audit", "/sign-in", "/sign-in/secret"):
            page.goto(path)
            assert page.evaluate(OVERFLOW) <= 0
            assert page.evaluate(TOO_SMALL, TARGET_PX) == []
    assert troubles == []


def test_signing_in_works_without_script(browser: Browser, address: str, ledger: Ledger) -> None:
    give_secret(ledger, "Ann Example")
    context = browser.new_context(java_script_enabled=False, base_url=address)
    page = context.new_page()
    page.goto("/sign-in")
    expect(page.get_by_role("button", name="Erase")).not_to_be_visible()
    page.get_by_label("Name").select_option("Ann Example")
    page.get_by_label("PIN or passphrase").fill(PASSPHRASE)
    with page.expect_navigation():
        page.get_by_role("button", name="Sign in").click()
    page.goto("/sign-in")
    expect(page.get_by_role("heading", name="Signed in as Ann Example")).to_be_visible()
    context.close()


def test_bench_works_without_script(browser: Browser, address: str, bench: BenchAtHand) -> None:
    context = browser.new_context(java_script_enabled=False, base_url=address)
    try:
        page = context.new_page()
        fill_form(page)
        expect(page.get_by_role("button", name="Clips are on")).to_be_visible()
        # Where a step takes time, the page asks again by itself.
        page.get_by_role("button", name="Clips are on").click()
        bench.until(Stage.GRIP)
        expect(page.locator("[data-now=grip]")).to_be_visible(timeout=60_000)
        page.get_by_role("button", name="Give up (void)").click()
        expect(page.locator("#verdict")).to_have_text("Void", timeout=60_000)
    finally:
        context.close()


def seen(page: Page, selector: str) -> bool:
    """Whether any of it lies in what the screen shows now, without scrolling."""
    return bool(
        page.evaluate(
            """(selector) => [...document.querySelectorAll(selector)].some((it) => {
              const box = it.getBoundingClientRect();
              return box.width > 0 && box.height > 0 && box.top < innerHeight && box.bottom > 0;
            })""",
            selector,
        )
    )


def test_a_refusal_stands_first_and_the_outcome_before_it_is_gone(
    page: Page, bench: BenchAtHand
) -> None:
    bench.start(order_of("Bo Invented", "blue"))
    bench.finish()
    page.goto("/bench")
    expect(page.locator("#verdict")).to_have_text("Pass")
    page.get_by_label("Limits").select_option("qc-t-29106-2014")
    page.get_by_role("button", name="Start this sample").click()
    expect(page.locator("#refused")).to_contain_text("18 AWG")
    assert seen(page, "#refused")
    # The stream has brought its first news, which changes nothing of that.
    expect(page.locator("#lost")).to_be_hidden()
    for gone in ("#verdict", "#curve", ".todo"):
        assert not seen(page, gone), gone


def test_one_steps_back_before_anything_was_measured_and_nothing_counts(
    page: Page, bench: BenchAtHand, records: LedgerReader
) -> None:
    page.set_viewport_size({"width": 800, "height": 480})
    before = records.counts().entries
    fill_form(page)
    expect(page.get_by_role("button", name="Give up (void)")).to_be_hidden()
    page.get_by_role("button", name="Step back").click()
    expect(page.get_by_role("button", name="Start this sample")).to_be_visible()
    expect(page.locator("#verdict")).to_be_hidden()
    expect(page.get_by_text("scrap: never install")).to_be_hidden()
    assert records.counts().entries == before
    assert bench.board.state.stage is Stage.IDLE


def test_a_sample_given_up_before_its_pull_shows_no_curve_and_no_scrap(
    page: Page, bench: BenchAtHand
) -> None:
    bench.start(order_of("Bo Invented", "blue"))
    bench.finish()
    for second in range(4):
        bench.board.trace.add(second, 30.0 * second)
    page.goto("/bench")
    expect(page.locator("#curve")).to_be_visible()
    expect(page.get_by_text("is scrap: never install it").first).to_be_visible()
    bench.clip(order_of("Bo Invented", "blue"))
    bench.give_up("dropped it")
    for _ in range(2):
        expect(page.locator("#verdict")).to_have_text("Void")
        expect(page.get_by_text("Done. Nothing was pulled.")).to_be_visible()
        expect(page.locator("#curve")).to_be_hidden()
        page.reload()


def test_a_worn_nest_that_is_held_is_held_on_every_page(page: Page, bench: BenchAtHand) -> None:
    bench.jobs.nests.hold("Hand tool 1", "red", "its jaw is chipped", "Bo Invented")
    for path in ("/", "/tools", "/tools/Hand tool 1/red"):
        page.goto(path)
        row = page.locator("li, tr, header", has_text="red").filter(has=page.locator(".badge"))
        badge = row.first.locator(".badge").first
        expect(badge).to_have_text("Held")
        expect(badge.locator("use")).to_have_attribute("href", "#mark-held")
        expect(page.get_by_text("its jaw is chipped").first).to_be_visible()
    page.goto("/bench")
    place = page.get_by_label("Tool and nest")
    expect(place.locator("option", has_text="nest red")).to_have_text("Hand tool 1, nest red: Held")


def test_error_page_leads_back(
    page: Page, bench: BenchAtHand, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    silent = InstrumentSilent("The milliohm meter did not answer: check its cable.")
    monkeypatch.setattr(bench, "confirm", Mock(side_effect=silent))
    page.goto("/bench")
    page.get_by_role("button", name="Clips are on").click()
    expect(page.get_by_role("alert")).to_have_text(
        "The milliohm meter did not answer: check its cable."
    )
    page.get_by_role("link", name="Go to the bench").click()
    expect(page.get_by_role("button", name="Clips are on")).to_be_visible()
