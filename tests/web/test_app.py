"""What holds for every page: headers, refusals, escaping, banners, errors in a sentence."""

import gzip
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from unittest.mock import Mock

import pytest
from flask import Flask
from flask.testing import FlaskClient

from station.errors import (
    BadInput,
    DataFileError,
    InstrumentSilent,
    LedgerBusy,
    LedgerDamaged,
    LedgerFull,
    LedgerGone,
    LedgerReadOnly,
    NoLimit,
    StationError,
    UnknownSize,
)
from station.ledger.entries import PersonAdded
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, give_secret
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE, NOW, moment
from tests.web.visitor import Visitor
from web import create_app
from web.status import status_of

PAGES = (
    "/",
    "/bench",
    "/samples",
    "/tools",
    "/tools/Hand%20tool%201/red",
    "/limits",
    "/instruments",
    "/instruments/check?role=meter",
    "/instruments/calibrate?role=tester",
    "/instruments/procedure/tester",
    "/instruments/studies",
    "/people",
    "/validations",
    "/certifications",
    "/certifications/judging",
    "/compare",
    "/lots",
    "/labels",
    "/lots/recall?lot=none",
    "/sign-in",
    "/sign-in/first",
)
CHANGES = (
    "/lots",
    "/samples/some-id/photos",
    "/bench",
    "/bench/confirm",
    "/bench/failure",
    "/bench/abandon",
    "/bench/save",
    "/bench/looks",
    "/bench/next",
    "/bench/enough",
    "/choices",
    "/instruments/check",
    "/instruments/calibrate",
    "/instruments/studies",
    "/instruments/studies/some-id/read",
    "/instruments/studies/some-id/drop",
    "/next/check",
    "/jobs/log/work",
    "/jobs/nests/hold",
    "/jobs/nests/look",
    "/jobs/nests/service",
    "/jobs/nests/release",
    "/jobs/some-id/sample",
    "/jobs/some-id/end",
    "/tools",
    "/reels",
    "/reels/measure",
    "/reels/out",
    "/reels/temperature",
    "/next/again",
    "/next/check",
    "/next/job/some-id",
    "/validations",
    "/validations/some-id/nest-gauge",
    "/validations/some-id/crimp-height",
    "/validations/some-id/sample",
    "/validations/some-id/end",
    "/certifications",
    "/certifications/some-id/key",
    "/certifications/some-id/resit",
    "/certifications/some-id/sign",
    "/certifications/some-id/acknowledge",
    "/certifications/some-id/end",
    "/certifications/judging/<code>",
    "/certifications/judging/<code>/measure",
    "/unfinished/some-id/again",
    "/unfinished/some-id/void",
    "/samples/some-id/correct",
    "/sign-in",
    "/sign-in/first",
    "/sign-in/secret",
    "/sign-out",
    "/people/add",
    "/people/role",
    "/people/leave",
    "/people/secret",
)
MISSING = (
    "/nowhere",
    "/instruments/entry/no-such-id",
    "/instruments/studies/no-such-id",
    "/instruments/procedure/none",
    "/jobs/no-such-id",
    "/jobs/no-such-id/paper.html",
    "/validations/no-such-id",
    "/certifications/no-such-id",
    "/certifications/judging/NOCODE",
    "/samples/no-such-id",
    "/samples/no-such-id/trace.svg",
    "/tools/No%20tool/red",
)


@pytest.mark.parametrize("path", PAGES)
def test_page_is_served_with_its_banner(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert "Invented demo records" in answer.text
    assert "Simulated instruments" in answer.text


@pytest.mark.parametrize("path", [page for page in PAGES if not page.startswith("/tools/")])
def test_page_is_served_over_an_empty_ledger(empty_client: FlaskClient, path: str) -> None:
    answer = empty_client.get(path)
    assert answer.status_code == 200
    assert "Invented demo records" not in answer.text


def test_every_address_is_tested(app: Flask) -> None:
    changing = {
        re.sub(r"<\w+_id>", "some-id", rule.rule)
        for rule in app.url_map.iter_rules()
        if rule.methods is not None and "POST" in rule.methods
    }
    assert changing == set(CHANGES)


@pytest.mark.parametrize("path", CHANGES)
def test_change_without_token_is_refused(
    client: FlaskClient, bench: BenchAtHand, path: str
) -> None:
    before = bench.board.state
    answer = client.post(path, data={"person": "Ann Example", "reason": "none"})
    assert answer.status_code == 400
    assert "Load the page again" in answer.text
    assert bench.board.state == before


def test_token_of_an_earlier_start_is_refused(
    client: FlaskClient, bench: BenchAtHand, token: str, history: Path
) -> None:
    session = client.get_cookie("session")
    assert session is not None
    restarted = create_app(bench, testing=True).test_client()
    restarted.set_cookie("session", session.value)
    answer = restarted.post("/bench/confirm", data={"csrf_token": token})
    assert answer.status_code == 400


@pytest.mark.parametrize("path", CHANGES)
def test_change_cannot_be_made_by_a_link(client: FlaskClient, path: str) -> None:
    # GET of the form's own page is the page itself; every other change has no GET at all.
    instruments = [f"/instruments/{page}" for page in ("check", "calibrate", "studies")]
    jobs = ("/tools", "/reels", "/lots", "/validations", "/certifications")
    forms = ("/bench", *instruments, *jobs, "/sign-in", "/sign-in/first")
    answer = client.get(path, query_string={"role": "meter"})
    if path == "/certifications/judging/<code>":
        assert answer.status_code == 404, "there is no such code"
    elif path == "/sign-in/secret":
        assert answer.status_code == 303, "the form leads to signing in first"
    else:
        assert answer.status_code == (200 if path in forms else 405)


@pytest.mark.parametrize("path", MISSING)
def test_unknown_address_is_answered_in_a_sentence(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "That could not be done" in answer.text


@pytest.mark.parametrize("path", [*PAGES, *MISSING, "/bench/state", "/static/station.css"])
def test_headers_keep_the_page_to_itself(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe-inline" not in policy
    for part in ("object-src 'none'", "frame-ancestors 'none'", "base-uri 'none'"):
        assert part in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "same-origin"
    answer.close()


@pytest.mark.parametrize("path", PAGES)
def test_page_has_nothing_that_the_policy_forbids(client: FlaskClient, path: str) -> None:
    text = client.get(path).text
    assert re.search(r"<style|\sstyle=|\son\w+=|javascript:", text) is None
    assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text))


@pytest.mark.parametrize("path", ["/", "/bench", "/samples", "/people"])
def test_hostile_name_is_shown_as_text(client: FlaskClient, path: str) -> None:
    text = client.get(path).text
    assert HOSTILE not in text
    assert "&lt;script&gt;document.title=" in text


def test_cookie_is_kept_from_scripts_and_other_sites(client: FlaskClient) -> None:
    cookie = client.get("/bench").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def test_oversized_request_is_refused(client: FlaskClient, token: str) -> None:
    data = {"csrf_token": token, "person": "x" * 70_000}
    assert client.post("/bench", data=data).status_code == 413


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (BadInput("a"), 400),
        (UnknownSize("a"), 400),
        (NoLimit("a"), 400),
        (LedgerBusy("a"), 503),
        (LedgerFull("a"), 507),
        (InstrumentSilent("a"), 503),
        (LedgerReadOnly("a"), 503),
        (LedgerGone("a"), 503),
        (DataFileError("a"), 503),
        (LedgerDamaged("a"), 503),
    ],
)
def test_error_has_the_status_of_its_kind(error: StationError, status: int) -> None:
    assert status_of(error) == status


def test_error_of_the_bench_is_shown_as_it_is(
    client: FlaskClient, bench: BenchAtHand, token: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy = LedgerBusy("The ledger is locked: wait <a moment>, then try again.")
    monkeypatch.setattr(bench, "confirm", Mock(side_effect=busy))
    answer = client.post("/bench/confirm", data={"csrf_token": token})
    assert answer.status_code == 503
    assert "The ledger is locked: wait &lt;a moment&gt;, then try again." in answer.text


@pytest.fixture
def damaged(ledger: Ledger) -> Iterator[sqlite3.Connection]:
    """The ledger's file in the hands of somebody who changes it past the station."""
    with closing(sqlite3.connect(ledger.path, isolation_level=None)) as connection:
        for trigger in ("entry_no_update", "entry_no_delete"):
            connection.execute(f"DROP TRIGGER {trigger}")
        yield connection


def test_an_entry_that_cannot_be_read_is_answered_in_a_sentence(
    client: FlaskClient, records: LedgerReader, damaged: sqlite3.Connection
) -> None:
    sample_id = next(row.sample_id for row in records.samples() if row.verdict)
    damaged.execute("UPDATE entry SET payload = '{' WHERE kind = 'sample_finished'")
    answer = client.get(f"/samples/{sample_id}")
    assert answer.status_code == 503
    assert "cannot be read" in answer.text
    assert "verify the ledger and restore a backup" in answer.text


def test_a_record_that_was_cut_off_takes_nothing_and_says_what_to_do(
    visitor: Visitor, ledger: Ledger, damaged: sqlite3.Connection
) -> None:
    give_secret(ledger, "Ann Example")
    damaged.execute("DELETE FROM entry WHERE seq = (SELECT max(seq) FROM entry)")
    answer = visitor.post("/sign-in", name="Ann Example", secret=PASSPHRASE)
    assert answer.status_code == 503
    assert "which is not the last that was written: nothing was added" in answer.text
    assert "Verify it and restore a backup" in answer.text


def test_a_ledger_that_was_taken_away_is_not_written_to(visitor: Visitor, ledger: Ledger) -> None:
    ledger.path.rename(ledger.path.with_suffix(".away"))
    answer = visitor.post("/tools", person="Ann Example", tool="Tool 9", nests="a", description="")
    assert answer.status_code == 503
    assert "was moved, removed or replaced while the station had it open" in answer.text


def test_a_clock_that_stands_before_the_last_entry_is_said(
    bench: BenchAtHand, ledger: Ledger
) -> None:
    last = ledger.reader.last_entry_at()
    assert last is not None
    for back, said in ((timedelta(minutes=1), False), (timedelta(days=1), True)):
        app = create_app(bench, testing=True, clock=partial(_minus, last, back))
        with app.test_client() as client:
            assert ("clock stands before the last entry" in client.get("/").text) is said
            refused = client.post("/sign-in", data={"name": "Ann Example", "secret": "x"})
            assert refused.status_code == 400
            assert ("clock was set back" in refused.text) is said
            assert ("before the station last started" in refused.text) is not said


def test_an_entry_of_a_clock_that_nobody_set_says_so(
    lead: Visitor, visitor: Visitor, ledger: Ledger, records: LedgerReader
) -> None:
    said = "clock was not known to be set"
    last = records.samples(limit=1)[0]
    assert said not in visitor.get(f"/samples/{last.sample_id}").text
    lists = [(visitor, "/samples"), (lead, "/people/audit")]
    assert not any("not set" in who.get(path).text for who, path in lists)
    begun = records.entry(last.sample_id)
    assert begun is not None
    unset = replace(moment(NOW), clock_synced=False)
    again = ledger.append(begun.payload, person="Ann Example", moment=unset)
    assert said in visitor.get(f"/samples/{again.id}").text
    left = PersonAdded(name="Cy Invented", role="installer")
    ledger.append(left, person="Ann Example", moment=unset)
    for who, path in lists:
        page = who.get(path).text
        assert page.count("(clock not set)") == 1
        assert said in page


def _minus(at: datetime, back: timedelta) -> datetime:
    return at - back


def test_pages_are_sent_packed_to_who_takes_them_so(client: FlaskClient) -> None:
    plain = client.get("/tools/Hand tool 1/red")
    packed = client.get("/tools/Hand tool 1/red", headers={"Accept-Encoding": "gzip"})
    assert "Content-Encoding" not in plain.headers
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in packed.headers["Vary"]
    assert b"<h1>Hand tool 1, nest red</h1>" in gzip.decompress(packed.data)
    assert len(packed.data) <= 60_000
    address = "/static/station.css"
    with (
        client.get(address, headers={"Accept-Encoding": "gzip"}) as style,
        client.get(address) as whole,
    ):
        assert gzip.decompress(style.data) == whole.data
