"""The taps that the bench's own screen asks for; ``python -m tests.walks.taps``: of all nine nests,
by the screen alone and with the panel's footswitch.

Each button must be in view without scrolling before it is tapped.
"""

import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Locator, Page, expect

from tests.chromium import chromium
from tests.pace import unpaced
from tests.walks.daily_check import PERSON, STEP_MS, invent_shop, served
from tests.worked_panel import WorkedPanel

DAYS = 15
NEST = "Heron, nest red"
IN_VIEW = """it => {
  const box = it.getBoundingClientRect();
  return box.top >= 0 && box.bottom <= innerHeight && box.left >= 0 && box.right <= innerWidth;
}"""


class Finger:
    """Taps what is in view, and counts."""

    def __init__(self, page: Page, panel: WorkedPanel | None = None) -> None:
        self.page = page
        self.panel = panel
        self.taps = 0
        self.samples = 0

    def tap(self, what: Locator) -> None:
        expect(what).to_be_visible(timeout=STEP_MS)
        expect(what).to_be_enabled()
        words = what.inner_text()
        assert what.evaluate(IN_VIEW), f"{words!r} is out of view at {self.page.url}"
        what.click()
        self.taps += 1

    def button(self, name: str) -> None:
        self.tap(self.page.get_by_role("button", name=re.compile(name)).first)

    def measure(self) -> None:
        """From the clips being on to the verdict."""
        gripped = self.page.get_by_role("button", name=re.compile("^Gripped, start recording"))
        if self.panel is None:
            self.tap(gripped)
        else:
            expect(gripped).to_be_visible(timeout=STEP_MS)
            self.panel.press_footswitch()
        suggested = self.page.locator("button[name=mode].suggested")
        self.tap(suggested.or_(self.page.locator("button[name=mode][value=drawn_out]")).first)
        expect(self.page.locator("#verdict")).to_be_visible(timeout=STEP_MS)
        self.samples += 1

    def check(self) -> None:
        """From the first clip step to the end of the check."""
        self.button("^All as it should be, clips are on")
        self.measure()
        following = self.page.locator(".outcome .big")
        while "to Today" not in following.inner_text() and not self.ended:
            # Where the clips go on elsewhere, that is shown at a step of its own.
            elsewhere = "clips are on" not in following.inner_text()
            self.tap(following)
            if elsewhere:
                self.button("^All as it should be, clips are on")
            self.measure()

    @property
    def ended(self) -> bool:
        """Whether the check at the bench has come to its outcome."""
        return self.page.get_by_role("link", name="Save the paper").is_visible()


@contextmanager
def at_the_screen(path: Path, panel: WorkedPanel | None = None) -> Iterator[Finger]:
    """A finger at the bench's own screen, on Today; the instruments keep no time."""
    with unpaced(), served(path, panel=panel) as address, chromium() as browser:
        page = browser.new_page(viewport={"width": 800, "height": 480}, base_url=address)
        page.goto("/")
        yield Finger(page, panel)


def main() -> None:
    """Check all nests in one go, and print the taps."""
    for panel, how in ((None, "by the screen alone"), (WorkedPanel(), "with a footswitch")):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "demo.ledger"
            invent_shop(path, days=DAYS)
            with at_the_screen(path, panel) as finger:
                finger.tap(finger.page.get_by_text("Check these 9"))
                finger.tap(finger.page.get_by_role("button", name=PERSON))
                finger.check()
                print(f"nine nests, {finger.samples} samples, {how}: {finger.taps} taps")


if __name__ == "__main__":
    main()
