"""Signing in and out, the first lead, secrets and people, as somebody with a browser sees them."""

import re
from datetime import datetime
from pathlib import Path

import pytest
from flask import Flask

from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.sign_in import Doors
from tests.doors import PASSPHRASE, PIN, cheap_hashes, give_secret
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW
from tests.web.visitor import Visitor
from web import create_app
from web.sign_ins import SignIns
from web.views.people import own_address


def events(records: LedgerReader, count: int = 3) -> list[tuple[str, str]]:
    return [(row.event, row.about) for row in records.audit(limit=count)]


def test_the_one_time_code_makes_and_signs_in_the_first_lead(
    visitor: Visitor, ledger: Ledger, records: LedgerReader
) -> None:
    assert "one-time code" in visitor.get("/sign-in").text
    with cheap_hashes():
        code = Doors(ledger, "command", clock=lambda: NOW).show_code()
    form = {"name": "Ann Example", "new_secret": PASSPHRASE, "again": PASSPHRASE}
    assert visitor.post("/sign-in/first", code="1", **form).status_code == 401
    wrong = visitor.post("/sign-in/first", code=code, **form | {"again": "other"})
    assert wrong.status_code == 400
    assert visitor.post("/sign-in/first", code=code, **form).status_code == 303
    assert "Signed in as Ann Example" in visitor.get("/sign-in").text
    assert "Add somebody" in visitor.get("/people").text
    assert visitor.post("/sign-in/first", code=code, **form).status_code == 403
    assert ("secret_set", "Ann Example") in events(records)


def test_signing_in_and_out(visitor: Visitor, ledger: Ledger, records: LedgerReader) -> None:
    give_secret(ledger, "Ann Example")
    visitor.sign_in()
    assert "Signed in as Ann Example" in visitor.get("/sign-in").text
    assert visitor.post("/sign-out").status_code == 303
    assert "Signed in as" not in visitor.get("/sign-in").text
    assert events(records, 2) == [("signed_out", "Ann Example"), ("signed_in", "Ann Example")]


def test_a_wrong_secret_is_told_and_never_shown(visitor: Visitor, ledger: Ledger) -> None:
    give_secret(ledger, "Ann Example")
    answer = visitor.post("/sign-in", name="Ann Example", secret="not the passphrase")
    assert answer.status_code == 401
    assert "do not belong together" in answer.text
    assert "not the passphrase" not in answer.text
    for _ in range(2):
        visitor.post("/sign-in", name="Ann Example", secret="not the passphrase")
    answer = visitor.post("/sign-in", name="Ann Example", secret=PASSPHRASE)
    assert answer.status_code == 429
    assert "wait 30 seconds" in answer.text


def test_a_stranger_and_one_without_a_secret_are_told_the_same(
    visitor: Visitor, ledger: Ledger
) -> None:
    give_secret(ledger, "Ann Example")
    told = set()
    for name in ("Ann Example", "Bo Invented", "Eve Unknown"):
        answer = visitor.post("/sign-in", name=name, secret="not the passphrase")
        assert answer.status_code == 401
        told.update(re.findall(r'role="alert">([^<]*)<', answer.text))
    (sentence,) = told
    assert "under People on the page" in sentence
    assert "station people passphrase" in sentence


def test_who_was_given_a_secret_is_said(visitor: Visitor, ledger: Ledger) -> None:
    give_secret(ledger, "Ann Example")
    visitor.sign_in()
    form = {"name": "Bo Invented", "new_secret": PIN, "again": PIN}
    answer = visitor.post("/people/secret", **form)
    page = visitor.get(answer.headers["Location"]).text
    assert "Bo Invented signs by PIN from now on." in page
    assert PIN not in page
    assert "from now on" not in visitor.get("/people?given=Eve%20Unknown").text


def test_who_signs_in_next_goes_on_where_the_one_before_was(
    visitor: Visitor, ledger: Ledger
) -> None:
    give_secret(ledger, "Ann Example")
    visitor.sign_in()
    assert 'name="next" value="/tools"' in visitor.get("/sign-in?next=/tools").text
    answer = visitor.post("/sign-out", next="/tools")
    assert answer.headers["Location"] == "/sign-in?next=/tools"
    again = visitor.post("/sign-in", name="Ann Example", secret=PASSPHRASE, next="/tools")
    assert again.headers["Location"] == "/tools"
    elsewhere = visitor.post("/sign-out", next="//elsewhere.example/tools").headers["Location"]
    assert elsewhere.startswith("/sign-in?next=")


def test_signing_in_changes_the_cookie_and_the_old_one_is_worthless(
    visitor: Visitor, app: Flask, ledger: Ledger
) -> None:
    give_secret(ledger, "Ann Example")
    visitor.get("/sign-in")
    before = visitor.client.get_cookie("session")
    visitor.sign_in()
    signed = visitor.client.get_cookie("session")
    assert before is not None
    assert signed is not None
    assert before.value != signed.value
    visitor.post("/sign-out")
    thief = Visitor(app)
    thief.client.set_cookie("session", signed.value)
    assert "Signed in as" not in thief.get("/sign-in").text


@pytest.mark.parametrize(
    ("path", "goes_to"),
    [
        ("/samples", "/samples"),
        ("/tools/Hand%20tool%201/red", "/tools/Hand%20tool%201/red"),
        ("/nowhere", "/"),
        ("//elsewhere.example/x", "/"),
        ("https://elsewhere.example/", "/"),
        ("/\\elsewhere.example", "/"),
        ("/samples\r\nSet-Cookie: a=b", "/"),
        ("/samples/x%0d%0aSet-Cookie:a=b", "/samples/x%250d%250aSet-Cookie:a=b"),
        ("", "/"),
        ("javascript:alert(1)", "/"),
    ],
)
def test_after_signing_in_nobody_is_sent_elsewhere(app: Flask, path: str, goes_to: str) -> None:
    with app.test_request_context("/"):
        found = own_address(path)
    assert found.startswith("/")
    assert not found.startswith("//")
    if not path.startswith("/tools") and "%0d" not in path:
        assert found == goes_to
    assert "\r" not in found
    assert "elsewhere" not in found


def test_everyone_changes_their_own_secret_and_other_sign_ins_end(
    apprentice: Visitor, app: Flask
) -> None:
    second = Visitor(app).sign_in("Bo Invented", PIN)
    form = {"new_secret": "eight brown otters", "again": "eight brown otters"}
    assert apprentice.post("/sign-in/secret", secret="wrong", **form).status_code == 401
    weak = {"new_secret": "123456", "again": "123456"}
    assert apprentice.post("/sign-in/secret", secret=PIN, **weak).status_code == 400
    assert apprentice.post("/sign-in/secret", secret=PIN, **form).status_code == 303
    assert "Signed in as Bo" in apprentice.get("/sign-in").text
    assert "Signed in as Bo" not in second.get("/sign-in").text
    assert second.post("/sign-in", name="Bo Invented", secret=PIN).status_code == 401


def test_a_lead_adds_changes_and_lets_leave(lead: Visitor, records: LedgerReader) -> None:
    assert lead.post("/people/add", name="Cy  Invented", role="apprentice").status_code == 303
    assert lead.post("/people/role", name="Cy Invented", role="installer").status_code == 303
    new = {"new_secret": "nine brown otters", "again": "nine brown otters"}
    assert lead.post("/people/secret", name="Cy Invented", **new).status_code == 303
    text = lead.get("/people").text
    assert "passphrase" in text
    assert "otters" not in text
    assert lead.post("/people/leave", name="Cy Invented", reason="<moved>").status_code == 303
    row = records.person("Cy Invented")
    assert row is not None
    assert (row.role, row.active) == ("installer", False)
    assert "has left" in lead.get("/people").text
    audit = lead.get("/people/audit").text
    assert "&lt;moved&gt;" in audit
    assert "apprentice to installer" in audit


@pytest.mark.parametrize(
    "name", ["", "Ann Example", "ANN EXAMPLE", "x" * 61, "a\u202eb", "(nobody)"]
)
def test_a_name_that_cannot_be_used_is_told(lead: Visitor, name: str) -> None:
    assert lead.post("/people/add", name=name, role="lead").status_code == 400


def test_a_sign_in_ends_with_its_role(lead: Visitor, app: Flask, ledger: Ledger) -> None:
    lead.post("/people/add", name="Cy Invented", role="lead")
    give_secret(ledger, "Cy Invented", "nine brown otters")
    second = Visitor(app).sign_in("Cy Invented", "nine brown otters")
    assert "Add somebody" in second.get("/people").text
    lead.post("/people/role", name="Cy Invented", role="apprentice")
    assert "Add somebody" not in second.get("/people").text
    assert second.post("/people/add", name="Dee Invented", role="lead").status_code == 401


def test_the_audit_is_paged_and_for_leads(
    lead: Visitor, visitor: Visitor, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("web.views.people.AUDIT_ROWS", 2)
    text = lead.get("/people/audit").text
    assert "Signed in" in text
    assert "Older" in text
    assert visitor.get("/people/audit").status_code == 303
    assert visitor.get("/people/audit").headers["Location"] == "/sign-in?next=/people/audit"


def test_polling_does_not_keep_a_sign_in_alive(
    bench: BenchAtHand, ledger: Ledger, tmp_path: Path
) -> None:
    at_s = [0.0]
    book = SignIns(600.0, 3600.0, lambda: at_s[0])
    app = create_app(bench, testing=True, clock=lambda: NOW, sign_ins=book)
    give_secret(ledger, "Ann Example")
    lead = Visitor(app).sign_in()
    for _ in range(5):
        at_s[0] += 200.0
        assert lead.get("/bench/state").status_code == 200
    answer = lead.post("/people/add", name="Cy Invented", role="lead")
    assert answer.status_code == 401
    assert "has run out" in answer.text


def test_the_time_of_the_audit_is_the_pages_own(lead: Visitor, records: LedgerReader) -> None:
    at: datetime = records.audit(limit=1)[0].at_utc
    assert at == NOW
