"""A form that is sent twice from one page is carried out once, whoever is quicker."""

import re
import threading
from urllib.parse import quote_plus

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from station.ledger.jobs import jobs, work
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.sign_in import Doors
from tests.doors import PASSPHRASE, cheap_hashes, give_secret
from tests.web.crawl import crawl
from tests.web.invented import NOW
from tests.web.visitor import Visitor
from web.once import REMEMBERED, SentForms

NEST = '["Hand tool 1", "blue"]'
LOG = "/jobs/log/work"
WORK = {"person": "Bo Invented", "place": NEST, "work_order": "W-31"}


def hidden(client: FlaskClient, path: str = "/tools/Hand tool 1/blue") -> dict[str, str]:
    """The hidden fields of a page's forms that every form has."""
    page = client.get(path).text
    found = {}
    for name in ("csrf_token", "once"):
        value = re.search(rf'name="{name}" value="([^"]+)"', page)
        assert value is not None
        found[name] = value[1]
    return found


def test_the_second_click_gets_the_first_answer(client: FlaskClient, records: LedgerReader) -> None:
    sent = hidden(client) | WORK
    before = len(work(records))
    answers = [client.post("/jobs/log/work", data=sent) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [303] * 3
    assert len({answer.headers["Location"] for answer in answers}) == 1
    assert len(work(records)) == before + 1


def test_the_same_work_from_a_page_loaded_anew_is_more_work(
    client: FlaskClient, records: LedgerReader
) -> None:
    before = len(work(records))
    for _ in range(2):
        client.post("/jobs/log/work", data=hidden(client) | WORK)
    assert len(work(records)) == before + 2


def test_other_fields_from_the_same_page_are_another_form(
    client: FlaskClient, records: LedgerReader
) -> None:
    sent, before = hidden(client) | WORK, len(work(records))
    client.post("/jobs/log/work", data=sent)
    client.post("/jobs/log/work", data=sent | {"work_order": "W-32"})
    assert len(work(records)) == before + 2


def test_what_was_refused_may_be_sent_again(client: FlaskClient, records: LedgerReader) -> None:
    wrong = hidden(client) | WORK | {"day": "2099-01-01"}
    assert [client.post("/jobs/log/work", data=wrong).status_code for _ in range(2)] == [400, 400]


def test_clicks_that_arrive_together_begin_one_job(app: Flask, records: LedgerReader) -> None:
    browser = app.test_client()
    sent = hidden(browser) | {"person": "Bo Invented", "place": NEST}
    cookie = browser.get_cookie("session")
    assert cookie is not None
    start, answers = threading.Barrier(4), list[TestResponse]()

    def click() -> None:
        again = app.test_client()
        again.set_cookie("session", cookie.value)
        start.wait()
        answers.append(again.post("/next/check", data=sent))

    before = len(jobs(records))
    threads = [threading.Thread(target=click) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {answer.status_code for answer in answers} == {303}
    assert len({answer.headers["Location"] for answer in answers}) == 1
    assert len(jobs(records)) == before + 1


def test_every_form_that_enters_something_has_its_mark(lead: Visitor) -> None:
    without = {
        form.action
        for page in crawl(lead).values()
        for form in page.forms
        if form.method == "post" and "once" not in form.names
    }
    # How pages look may be chosen twice.
    assert without <= {"/choices"}


def test_only_so_many_forms_are_remembered() -> None:
    forms = SentForms()
    first, *_, last = [forms[str(number)] for number in range(REMEMBERED + 1)]
    assert forms.get("0") is None
    assert forms["0"] is not first
    assert forms.get(str(REMEMBERED)) is last


@pytest.mark.parametrize("led_to", ["/there", None])
def test_who_waits_is_told_where_the_first_led(
    led_to: str | None, app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("web.once._key", lambda: "key")
    sent = app.extensions["sent_forms"]["key"]
    browser = app.test_client()
    form, answers = hidden(browser) | WORK, list[TestResponse]()
    second = threading.Thread(target=lambda: answers.append(browser.post(LOG, data=form)))
    with sent.lock:
        second.start()
        sent.answer = led_to
    second.join()
    # Where nothing came of the first, the second is carried out.
    assert led(answers) == {(303, led_to or "/tools/Hand%20tool%201/blue")}


# ---- forms that sign in or set a secret ---------------------------------------------------------

NEW = "four plain words more"


class TwoClicks:
    """A browser whose user clicks twice: the second before, or after, the first's cookie came."""

    def __init__(self, app: Flask, cookie_came: bool) -> None:
        self.visitor = Visitor(app)
        self.cookie_came = cookie_came

    def sends(self, path: str, page: str, **fields: object) -> list[TestResponse]:
        """Both answers; the browser keeps the cookie of the last, as it does."""
        client = self.visitor.client
        form = hidden(client, page) | fields
        before = client.get_cookie("session")
        with cheap_hashes():
            first = client.post(path, data=form)
            if not self.cookie_came and before is not None:
                client.set_cookie("session", before.value)
            second = client.post(path, data=form)
        return [first, second]

    def signed_in_as(self) -> str | None:
        found = re.search(r"Signed in as ([^<]+)<", self.visitor.get("/sign-in").text)
        return found[1] if found else None


def led(answers: list[TestResponse]) -> set[tuple[int, str | None]]:
    return {(answer.status_code, answer.headers.get("Location")) for answer in answers}


def noted(records: LedgerReader, event: str) -> int:
    return sum(row.event == event for row in records.audit(limit=100))


@pytest.fixture(params=[False, True], ids=["the cookie is on its way", "the cookie came"])
def two_clicks(request: pytest.FixtureRequest, app: Flask) -> TwoClicks:
    return TwoClicks(app, request.param)


def test_two_clicks_sign_in_once(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Ann Example")
    answers = two_clicks.sends("/sign-in", "/sign-in", name="Ann Example", secret=PASSPHRASE)
    assert led(answers) == {(303, "/")}
    assert two_clicks.signed_in_as() == "Ann Example"
    assert noted(records, "signed_in") == 1
    answers = two_clicks.sends("/sign-out", "/sign-in")
    assert led(answers) == {(303, "/sign-in")}
    assert two_clicks.signed_in_as() is None


def test_two_clicks_with_a_wrong_secret_count_once(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Ann Example")
    for tries in (1, 2):
        answers = two_clicks.sends("/sign-in", "/sign-in", name="Ann Example", secret="not it")
        assert led(answers) == {(401, None)}
        assert all("do not belong together" in answer.text for answer in answers)
        assert noted(records, "sign_in_failed") == tries
    answers = two_clicks.sends("/sign-in", "/sign-in", name="Ann Example", secret=PASSPHRASE)
    assert led(answers) == {(303, "/")}


def test_two_clicks_make_one_first_lead(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    with cheap_hashes():
        code = Doors(ledger, "command", clock=lambda: NOW).show_code()
    answers = two_clicks.sends(
        "/sign-in/first", "/sign-in/first", name="Ann Example", code=code,
        new_secret=PASSPHRASE, again=PASSPHRASE,
    )  # fmt: skip
    assert led(answers) == {(303, "/people")}
    assert two_clicks.signed_in_as() == "Ann Example"
    assert noted(records, "secret_set") == 1


def test_two_clicks_change_the_own_secret_once(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Ann Example")
    two_clicks.visitor.sign_in()
    before = noted(records, "secret_set")
    answers = two_clicks.sends(
        "/sign-in/secret", "/sign-in/secret", secret=PASSPHRASE, new_secret=NEW, again=NEW
    )
    assert led(answers) == {(303, "/people")}
    assert two_clicks.signed_in_as() == "Ann Example"
    assert noted(records, "secret_set") == before + 1
    assert noted(records, "sign_in_failed") == 0


def test_two_clicks_give_a_secret_once(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Ann Example")
    two_clicks.visitor.sign_in()
    before = noted(records, "secret_set")
    for name in ("Bo Invented", "Ann Example"):
        answers = two_clicks.sends(
            "/people/secret", "/people", name=name, new_secret=NEW, again=NEW
        )
        assert led(answers) == {(303, f"/people?given={quote_plus(name)}")}
    assert two_clicks.signed_in_as() == "Ann Example"
    assert noted(records, "secret_set") == before + 2


def test_an_old_form_signs_nobody_in_after_the_sign_out(
    two_clicks: TwoClicks, ledger: Ledger, records: LedgerReader
) -> None:
    give_secret(ledger, "Ann Example")
    client = two_clicks.visitor.client
    form = hidden(client, "/sign-in") | {"name": "Ann Example", "secret": PASSPHRASE}
    cookie = client.get_cookie("session")
    assert cookie is not None
    with cheap_hashes():
        assert client.post("/sign-in", data=form).status_code == 303
        two_clicks.visitor.post("/sign-out")
        give_secret(ledger, "Ann Example", NEW)
        client.set_cookie("session", cookie.value)
        assert client.post("/sign-in", data=form).status_code == 401
    assert two_clicks.signed_in_as() is None


@pytest.mark.parametrize("change", [{}, {"once": "x" * 16}])
def test_another_browser_is_not_led_into_a_sign_in(
    app: Flask, ledger: Ledger, change: dict[str, str]
) -> None:
    give_secret(ledger, "Ann Example")
    client, stranger = app.test_client(), app.test_client()
    form = hidden(client, "/sign-in") | {"name": "Ann Example", "secret": PASSPHRASE}
    with cheap_hashes():
        assert client.post("/sign-in", data=form).status_code == 303
        # As from a page elsewhere that makes somebody's browser send what it knows.
        assert stranger.post("/sign-in", data=form | change).status_code == 400
    assert "Signed in as" in client.get("/sign-in").text
    assert "Signed in as" not in stranger.get("/sign-in").text
