"""The looks at the bench, with the joint in hand: before the pull, on record, never undone."""

from dataclasses import replace

import pytest
from flask.testing import FlaskClient

from station.bench.board import Stage
from station.crimp.facts import shipped_book
from station.ledger.reader import LedgerReader
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of

BOOK = shipped_book()
ASKED = [item.id for item in BOOK.checklist(BOOK.connectors["butt-splice-red"])]
SLEEVE = "Is the sleeve whole, not cut through by the crimp?"


UNSEEN = replace(order_of("Bo Invented", "blue"), checklist={})


def answer(client: FlaskClient, token: str, **form: str) -> int:
    return client.post("/bench/looks", data={"csrf_token": token, **form}).status_code


def test_all_is_said_to_be_as_it_should_in_one_tap(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.clip(UNSEEN)
    page = client.get("/bench").text
    assert "All as it should be, clips are on" in page
    assert f"<li>{SLEEVE}</li>" in page
    assert f"{SLEEVE} <strong>Critical</strong>" in page
    # The drawing of this family, and where its clips go.
    assert "<title>Butt splice</title>" in page
    assert "A, on the first wire, half the span from M; M, the middle of the sleeve" in page
    assert answer(client, token, rest="yes") == 303
    assert "Looked at: all as it should be" in client.get("/bench").text
    bench.finish()
    finished = records.finished_payload(bench.board.state.sample_id or "")
    assert finished is not None
    assert finished.checklist == dict.fromkeys(ASKED, True)


def test_a_critical_no_fails_there_and_then_and_may_still_be_measured(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.clip(UNSEEN)
    assert answer(client, token, no="sleeve-whole") == 303
    page = client.get("/bench").text
    assert f"Failed by a look: {SLEEVE} No.\nThis sample fails." in page
    assert "The rest is as it should be" in page
    assert answer(client, token, rest="yes") == 303
    page = client.get("/bench").text
    assert "Looked at: 1 answered with no" in page
    bench.finish()
    assert bench.board.state.outcome is not None
    assert bench.board.state.outcome.verdict == "fail"
    finished = records.finished_payload(bench.board.state.sample_id or "")
    assert finished is not None
    assert finished.pull is not None
    assert finished.checklist == dict.fromkeys(ASKED, True) | {"sleeve-whole": False}
    page = client.get(f"/samples/{finished.sample_id}").text
    assert f"{SLEEVE} <strong>No</strong> (critical)" in page
    assert "Does the crimp sit in the middle of the barrel? <strong>Yes</strong></li>" in page


def test_giving_up_does_not_void_what_a_look_condemned(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.clip(UNSEEN)
    answer(client, token, no="no-stray-strand")
    assert "End here (fail)" in client.get("/bench").text
    bench.give_up("enough seen")
    row = records.sample(bench.board.state.sample_id or "")
    assert row is not None
    assert (row.verdict, row.void_reason, row.peak_n) == ("fail", None, None)
    assert "Failed by a look" in client.get("/bench").text


def test_an_answer_may_be_mended_until_the_pull_and_not_after(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.clip(UNSEEN)
    answer(client, token, no="sleeve-whole")
    bench.grip()
    assert "The rest is as it should be, gripped" in client.get("/bench").text
    assert answer(client, token, yes="sleeve-whole") == 303
    assert bench.board.state.condemned_by == ()
    bench.pull()
    assert answer(client, token, no="sleeve-whole") == 400
    bench.give_up("enough")
    assert answer(client, token, rest="yes") == 400


@pytest.mark.parametrize("form", [{"no": "bottomed"}, {"yes": "nothing"}, {"no": ""}])
def test_a_look_that_is_not_asked_is_refused(
    client: FlaskClient, bench: BenchAtHand, token: str, form: dict[str, str]
) -> None:
    bench.clip(UNSEEN)
    assert answer(client, token, **form) == 400
    order = bench.board.state.order
    assert order is not None
    assert order.checklist == {}


def test_a_coded_sample_keeps_what_a_lead_saw(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    seen = dict.fromkeys(ASKED, True)
    order = replace(order_of("Bo Invented", "blue"), job="certification", step="K7", checklist=seen)
    bench.clip(order)
    assert "Looked at" not in client.get("/bench").text
    assert answer(client, token, no="sleeve-whole") == 400
    assert bench.board.state.order == order
    assert bench.board.state.stage is Stage.CLIP_ON
