"""The page under test: invented records, a bench without instruments, a real browser."""

import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import pytest
from flask import Flask
from flask.testing import FlaskClient
from jinja2 import FileSystemBytecodeCache
from playwright.sync_api import Browser, BrowserContext, Page
from werkzeug.serving import make_server

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.trend_cache import TrendCache
from tests.chromium import chromium
from tests.doors import PIN, give_secret
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW, moment, write_history
from tests.web.visitor import Visitor
from web import create_app
from web.once import SentForms
from web.request import Station
from web.sign_ins import SignIns


@pytest.fixture(scope="session", autouse=True)
def _compiled_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Templates are compiled once for all applications that tests make."""
    compiled = FileSystemBytecodeCache(str(tmp_path_factory.mktemp("templates")))
    with patch.object(Flask, "jinja_options", {"bytecode_cache": compiled}):
        yield


@pytest.fixture(scope="session")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "station.ledger"
    with Ledger.open(path) as ledger, ledger.transaction():
        write_history(ledger)
    return path


@pytest.fixture
def ledger(history: Path, tmp_path: Path) -> Iterator[Ledger]:
    path = tmp_path / "station.ledger"
    shutil.copy(history, path)
    with Ledger.open(path, clock=lambda: moment(NOW)) as opened:
        yield opened


@pytest.fixture
def empty_ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "empty.ledger", clock=lambda: moment(NOW)) as opened:
        yield opened


@pytest.fixture
def records(ledger: Ledger) -> LedgerReader:
    return ledger.reader


@pytest.fixture
def bench(ledger: Ledger) -> Iterator[BenchAtHand]:
    opened = BenchAtHand(ledger)
    yield opened
    opened.bay.gate.set()
    opened.close()


@pytest.fixture(scope="session")
def made_once(history: Path, tmp_path_factory: pytest.TempPathFactory) -> Flask:
    """The application with its addresses and templates: to make it takes longer than most tests."""
    path = tmp_path_factory.mktemp("page") / "station.ledger"
    shutil.copy(history, path)
    with Ledger.open(path) as ledger:
        return create_app(BenchAtHand(ledger), testing=True)


@pytest.fixture
def app(made_once: Flask, bench: BenchAtHand) -> Flask:
    """The page of this test's bench; nobody is signed in, and no form was sent."""
    doors = bench.settings.doors
    trends = TrendCache(bench.ledger.path, bench.settings.wear_watch_run_length)
    made_once.extensions |= {
        "station": Station(bench, lambda: NOW, trends),
        "sign_ins": SignIns(doors.idle_minutes * 60.0, doors.longest_hours * 3600.0),
        "sent_forms": SentForms(),
    }
    return made_once


@pytest.fixture
def client(app: Flask) -> Iterator[FlaskClient]:
    with app.test_client() as opened:
        yield opened


@pytest.fixture
def empty_client(empty_ledger: Ledger) -> Iterator[FlaskClient]:
    bench = BenchAtHand(empty_ledger)
    with create_app(bench, testing=True, clock=lambda: NOW).test_client() as opened:
        yield opened
    bench.close()


@pytest.fixture
def visitor(app: Flask) -> Visitor:
    """Somebody at the bench who has not signed in."""
    return Visitor(app)


@pytest.fixture
def lead(app: Flask, ledger: Ledger) -> Visitor:
    """A lead at the bench, signed in."""
    give_secret(ledger, "Ann Example")
    return Visitor(app).sign_in()


@pytest.fixture
def apprentice(app: Flask, ledger: Ledger) -> Visitor:
    """An apprentice at the bench, signed in by PIN."""
    give_secret(ledger, "Ann Example")
    give_secret(ledger, "Bo Invented", PIN)
    return Visitor(app).sign_in("Bo Invented", PIN)


@pytest.fixture
def token(client: FlaskClient) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/bench").text)
    assert found is not None
    return found[1]


@pytest.fixture
def address(app: Flask, bench: BenchAtHand) -> Iterator[str]:
    """The page, served for real."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever, name="page under test")
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    # Wakes requests that wait for news.
    bench.board.show()
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with chromium() as launched:
        yield launched


@pytest.fixture
def troubles() -> list[str]:
    """What the browser complained about, and what it asked of other machines."""
    return []


@pytest.fixture
def screen(browser: Browser, address: str) -> Iterator[BrowserContext]:
    """A window the size of the bench's touch screen."""
    context = browser.new_context(viewport={"width": 800, "height": 480}, base_url=address)
    yield context
    context.close()


@pytest.fixture
def page(screen: BrowserContext, troubles: list[str], address: str) -> Page:
    opened = screen.new_page()
    opened.on("console", lambda said: troubles.append(said.text) if said.type == "error" else None)
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    opened.on(
        "request",
        lambda asked: None if asked.url.startswith(address) else troubles.append(asked.url),
    )
    return opened
