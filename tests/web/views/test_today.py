"""Today: what is due, interrupted, flagged."""

import html
import re
from dataclasses import replace

from flask.testing import FlaskClient

from station.bench.board import Stage
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import begun, finish, order_of
from web.format import place
from web.views.sitting import last_joint


def line_of(page: str, nest: str) -> str:
    [line] = [one for one in page.split("<li>") if f"{nest}</a>" in one]
    return line.split("</li>")[0]


def test_worn_nest_comes_first_with_its_sentence(client: FlaskClient) -> None:
    text = client.get("/").text
    first = text.split("<li>")[1].split("</li>")[0]
    assert first == line_of(text, "Hand tool 1, nest red")
    assert "Take it out of use." in first
    assert "Worn: getting weaker" in first
    assert text.index("Worn: getting weaker") < text.index("Interrupted samples")


def test_due_are_the_nests_that_were_not_checked_today(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    text = client.get("/").text
    assert "0 of 4 checked" in text
    assert "Check these 4" in text
    assert "It was never checked." in line_of(text, "Hand tool 1, nest blue")
    asked = [("Hand tool 1", "blue"), ("Bench tool 2", "16/14")]
    job_id = bench.jobs.begin_check(asked, person="Bo Invented")
    text = client.get("/").text
    for nest in ("Hand tool 1, nest blue", "Bench tool 2, nest 16/14"):
        assert "Go on" in line_of(text, nest)
        assert job_id in line_of(text, nest)
    assert "Check these 2" in text


def test_a_held_nest_is_told_first(client: FlaskClient, bench: BenchAtHand) -> None:
    bench.jobs.nests.hold("Hand tool 1", "blue", "its jaw is chipped", "Bo Invented")
    text = client.get("/").text
    held = line_of(text, "Hand tool 1, nest blue")
    assert held in text.split("<li>")[1]
    assert "its jaw is chipped" in held
    assert "Check it" not in held


def test_a_checked_nest_is_folded_away_and_counted(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    data = {"csrf_token": token, "person": "Bo Invented", "place": place("Hand tool 1", "blue")}
    answer = client.post("/next/check", data=data)
    assert (answer.status_code, answer.location) == (303, "/bench")
    bench.finish()
    text = client.get("/bench").text
    assert "Next: 3 of 3" in text
    job_id = bench.board.state.order.job_id if bench.board.state.order else None
    # Who is there was asked once: now the page knows.
    assert client.post(f"/next/job/{job_id}", data=data | {"clipped": "yes"}).status_code == 303
    bench.until(Stage.GRIP)
    bench.pull()
    bench.name_failure("drawn_out")
    bench.until(Stage.DONE)
    page = client.get("/bench").text
    outcome = re.search(r'<div class="heading checked">(.*?)</div>', page, re.DOTALL)
    assert outcome is not None
    # What came of the nest that was checked stands with its name, before the next one's.
    assert "Hand tool 1, nest blue" in outcome[1]
    assert "Released for the day" in outcome[1]
    assert outcome.end() < page.index("Next nest")
    text = client.get("/").text
    assert "1 of 4 checked" in text
    assert "Hand tool 1, nest blue" in text.split("<summary>Done: 1</summary>")[1]
    assert "At the bench: Bo Invented." in text


def test_who_is_there_is_asked_with_who_is_likely_first(
    client: FlaskClient, records: LedgerReader
) -> None:
    page = client.get("/next/who", query_string={"then": "sitting.again"}).text
    names = [html.unescape(name) for name in re.findall(r'name="person" value="([^"]*)"', page)]
    assert names[0] == records.samples(limit=1)[0].person
    assert sorted(names) == sorted(row.name for row in records.people())
    assert 'action="/next/again"' in page
    assert client.get("/next/who", query_string={"then": "people.add"}).status_code == 400


def test_verdicts_of_today_are_counted(client: FlaskClient) -> None:
    words = " ".join(client.get("/").text.split("tally")[1].split("</p>")[0].split())
    assert "Pass</span> 1<" in words
    assert "Fail</span> 1<" in words
    assert "Void</span> 0<" in words


def test_interrupted_sample_is_measured_again(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    [row] = records.unfinished()
    answer = client.post(
        f"/unfinished/{row.sample_id}/again",
        data={"csrf_token": token, "person": "Ann Example"},
    )
    assert (answer.status_code, answer.location) == (303, "/bench")
    order = bench.board.state.order
    assert order is not None
    assert (order.person, order.offered_again_for) == ("Ann Example", row.sample_id)
    assert order.joint.key == row.joint_key
    # The new one is on the bench, the old one is replaced: nothing is offered any more.
    assert "Interrupted samples" not in client.get("/").text


def test_interrupted_sample_is_voided(
    client: FlaskClient, records: LedgerReader, token: str
) -> None:
    [row] = records.unfinished()
    data = {"csrf_token": token, "person": "Ann Example", "reason": "power cut"}
    answer = client.post(f"/unfinished/{row.sample_id}/void", data=data)
    assert (answer.status_code, answer.location) == (303, "/")
    voided = records.sample(row.sample_id)
    assert voided is not None
    assert (voided.verdict, voided.void_reason) == ("void", "power cut")


def test_void_needs_a_reason(client: FlaskClient, records: LedgerReader, token: str) -> None:
    [row] = records.unfinished()
    data = {"csrf_token": token, "person": "Ann Example", "reason": "  "}
    answer = client.post(f"/unfinished/{row.sample_id}/void", data=data)
    assert answer.status_code == 400
    assert "Fill in the reason" in answer.text
    assert records.unfinished() == [row]


def test_sample_that_is_not_waiting_cannot_be_taken_again(client: FlaskClient, token: str) -> None:
    data = {"csrf_token": token, "person": "Ann Example"}
    answer = client.post("/unfinished/no-such-id/again", data=data)
    assert answer.status_code == 400
    assert "is not waiting to be finished" in answer.text


def test_sample_on_the_bench_is_not_offered_again(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader
) -> None:
    bench.clip(order_of("Bo Invented", "blue"))
    assert bench.board.state.stage is Stage.CLIP_ON
    bench.grip()
    assert len(records.unfinished()) == 2
    assert client.get("/").text.count("/again") == 1


def test_practice_does_not_go_on_as_a_check(client: FlaskClient, ledger: Ledger) -> None:
    before = last_joint(ledger.reader)
    assert before is not None
    other = "blue" if before.nest == "red" else "red"
    order = replace(order_of("Bo Invented", other), job="practice")
    finish(ledger, ledger.append(begun(order), person=order.person).id, order)
    assert last_joint(ledger.reader) == before
    assert client.get("/").status_code == 200
