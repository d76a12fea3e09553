"""A form that is sent twice from one page is carried out once, whoever is quicker."""

import re
import threading

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from station.ledger.job_queries import jobs, work
from station.ledger.queries import LedgerReader
from tests.web.crawl import crawl
from tests.web.visitor import Visitor
from web.repeats import REMEMBERED, SentForms

NEST = '["Hand tool 1", "blue"]'
WORK = {"person": "Bo Invented", "place": NEST, "work_order": "W-31"}


def hidden(client: FlaskClient, path: str = "/jobs") -> dict[str, str]:
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
        answers.append(again.post("/jobs/daily/check", data=sent))

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
    # These change who is signed in, a secret or how pages look, and their answers hold cookies.
    assert without <= {"/choices", "/sign-in", "/sign-out", "/sign-in/first", "/sign-in/secret",
                       "/people/secret"}  # fmt: skip


def test_only_so_many_forms_are_remembered() -> None:
    forms = SentForms()
    for key in map(str, range(REMEMBERED + 1)):
        sent, first = forms.take_up(key)
        assert first
        forms.answer(key, sent, f"/{key}")
    assert forms.take_up("0")[1]
    assert forms.take_up(str(REMEMBERED)) == (sent, False)


@pytest.mark.parametrize("location", ["/there", None])
def test_who_waits_is_told_where_the_first_led(location: str | None) -> None:
    forms = SentForms()
    sent, _ = forms.take_up("key")
    waiting, first = forms.take_up("key")
    assert not first
    forms.answer("key", sent, location)
    assert waiting.answered.is_set()
    assert waiting.location == location
    assert forms.take_up("key")[1] is (location is None)
