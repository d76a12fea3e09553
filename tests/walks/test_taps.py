"""The taps of a check and of a sample at the bench's own screen."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.walks.daily_check import PERSON, invent_shop
from tests.walks.taps import DAYS, NEST, Finger, at_the_screen
from tests.web.accessibility import MOST_SCREENS, SCREENS


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("shop") / "demo.ledger"
    invent_shop(path, days=DAYS)
    return path


@pytest.fixture
def finger(shop: Path, tmp_path: Path) -> Iterator[Finger]:
    path = tmp_path / "demo.ledger"
    shutil.copy(shop, path)
    with at_the_screen(path) as finger:
        yield finger


def test_no_page_of_a_shop_in_use_is_longer_than_three_screens(finger: Finger) -> None:
    page, long = finger.page, {}
    page.goto("/samples")
    sample = page.locator("tbody a").first.get_attribute("href")
    assert sample is not None
    page.goto(sample)
    lot = page.locator("a[href*='/lots/recall']").first.get_attribute("href")
    page.goto("/")
    job = page.locator("a[href^='/jobs/']").first.get_attribute("href")
    for path in (sample, lot, job, "/instruments", "/reels", "/limits", "/tools", "/people"):
        assert path is not None
        page.goto(path)
        long[path] = page.evaluate(SCREENS)
    assert {path: screens for path, screens in long.items() if screens > MOST_SCREENS} == {}


def test_one_nest_is_checked_in_eleven_taps_and_its_joint_again_in_four(finger: Finger) -> None:
    page = finger.page
    row = page.get_by_role("listitem").filter(has_text=NEST)
    finger.tap(row.get_by_text("Check it", exact=True))
    finger.tap(page.get_by_role("button", name=PERSON))
    finger.check()
    assert finger.ended
    assert finger.taps <= 11
    following = page.locator(".outcome .big")
    expect(following).to_contain_text("Next nest")
    expect(following).to_contain_text("clips are on")
    # Who is there was asked once: the next nest is at its first clip step.
    finger.button("^Something is not as it should be")
    expect(page.get_by_role("button", name="All as it should be, clips are on")).to_be_visible()
    finger.taps = 0
    with page.expect_navigation():
        page.get_by_role("button", name="Step back").click()
    page.goto("/")
    expect(page.locator("#checked")).to_have_text("1 of 9 checked")
    finger.button("^Again: Heron, red")
    finger.button("^All as it should be, clips are on")
    finger.measure()
    assert finger.taps <= 4
