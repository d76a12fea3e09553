"""The first start as a person does it: a process, its console, and a browser's requests."""

import http.cookiejar
import os
import re
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from station.cli.main import run
from station.ledger.reader import LedgerReader
from tests.doors import PASSPHRASE

PATIENCE_S = 60.0


class Browser:
    """Opens pages and sends forms with the token that came with them."""

    def __init__(self, address: str) -> None:
        self._address = address
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self._open = urllib.request.build_opener(cookies).open

    def get(self, path: str) -> str:
        with self._open(self._address + path, timeout=PATIENCE_S) as answer:
            text: str = answer.read().decode()
        return text

    def post(self, path: str, **form: str) -> str:
        found = re.search(r'name="csrf_token" value="([^"]+)"', self.get("/sign-in"))
        assert found is not None
        body = urllib.parse.urlencode({"csrf_token": found[1], **form}).encode()
        with self._open(self._address + path, body, timeout=PATIENCE_S) as answer:
            text: str = answer.read().decode()
        return text


@pytest.fixture
def console(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    settings = tmp_path / "bench.toml"
    settings.write_text("port = 0\n", encoding="utf-8")
    started = subprocess.Popen(
        [sys.executable, "-m", "station", "serve", "--settings", str(settings)],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "STATION_HOME": str(tmp_path)},
    )
    yield started
    started.terminate()
    started.communicate(timeout=PATIENCE_S)


def said(console: subprocess.Popen[str], pattern: str) -> str:
    """Read the console until it says something, and return what was looked for."""
    assert console.stderr is not None
    for line in console.stderr:
        if found := re.search(pattern, line):
            return found[1]
    raise AssertionError(f"the console never said {pattern}")


def test_the_code_on_the_console_opens_the_bench_to_its_first_lead(
    console: subprocess.Popen[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = said(console, r"One-time code for the first: ([\d-]+)")
    browser = Browser(said(console, r"The page is on (http://[\d.:]+)/"))
    assert "one-time code" in browser.get("/sign-in")
    assert "Start this sample" in browser.get("/bench"), "measuring needs no sign-in"
    page = browser.post(
        "/sign-in/first", code=code, name="Ann Example", new_secret=PASSPHRASE, again=PASSPHRASE
    )
    assert "Add somebody" in page
    browser.post("/people/add", name="Bo Invented", role="apprentice")
    ledger = tmp_path / "station.ledger"
    with LedgerReader.open(ledger) as reader:
        assert [row.name for row in reader.people()] == ["Ann Example", "Bo Invented"]
        assert [row.event for row in reader.audit()][::-1] == [
            "code_shown", "person_added", "secret_set", "person_added",
        ]  # fmt: skip
    assert PASSPHRASE not in ledger.read_bytes().decode("latin-1")
    assert run(["people", "code", "--ledger", str(ledger)]) == 2
    assert "ask one" in capsys.readouterr().err
