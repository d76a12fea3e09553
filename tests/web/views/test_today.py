"""Today: what is due, interrupted, flagged."""

from flask.testing import FlaskClient

from station.bench.board import Stage
from station.ledger.reader import LedgerReader
from tests.web.benches import BenchAtHand
from tests.web.invented import order_of


def test_worn_nest_comes_first_with_its_sentence(client: FlaskClient) -> None:
    text = client.get("/").text
    assert text.index("Worn: getting weaker") < text.index("Interrupted samples")
    assert text.index("Interrupted samples") < text.index("Due for their daily check")


def test_due_are_the_nests_that_were_not_checked_today(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    due = client.get("/").text.split("Due for their daily check")[1]
    assert due.count("It was never checked.") == 4
    asked = [("Hand tool 1", "blue"), ("Bench tool 2", "16/14")]
    job_id = bench.jobs.begin_check(asked, person="Bo Invented")
    due = client.get("/").text.split("Due for their daily check")[1]
    assert due.count(f'href="/jobs/{job_id}"') == 2


def test_a_held_nest_is_told_first(client: FlaskClient, bench: BenchAtHand) -> None:
    bench.jobs.nests.hold("Hand tool 1", "blue", "its jaw is chipped", "Bo Invented")
    text = client.get("/").text
    assert "its jaw is chipped" in text.split("Take out of use")[1].split("</section>")[0]
    assert "nest blue" not in text.split("Due for their daily check")[1]


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
