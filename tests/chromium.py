"""The real browser of tests, walks and pictures."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
"""The first that there is. The one without windows opens a page at a third of the CPU."""

_QUIET = ("gpu", "quic", "background-networking", "component-update", "sync")
_FLAGS = ["--no-sandbox", "--no-first-run", *(f"--disable-{name}" for name in _QUIET)]


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser while the block runs."""
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        raise FileNotFoundError("No Chromium was found: install it with 'apt install chromium'.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=_FLAGS)
        yield browser
        browser.close()
