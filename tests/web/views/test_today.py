"""Today: what is due, interrupted, flagged."""

from flask.testing import FlaskClient

from station.bench_state import Stage
from station.ledger.queries import LedgerReader
from tests.web.fake_bench import FakeBench
from tests.web.invented import order_of


def test_worn_nest_comes_first_with_its_sentence(client: FlaskClient) -> None:
    text = client.get("/").text
    assert text.index("Worn: pull force fell") < text.index("Interrupted samples")
    assert text.index("Interrupted samples") < text.index("Due: nests")


def test_due_are_the_nests_without_a_sample_today(client: FlaskClient) -> None:
    due = client.get("/").text.split("Due: nests")[1]
    # Blue and yellow have one of today; the interrupted one of red does not count.
    assert "nest red" in due
    assert "nest 16/14" in due
    assert "nest blue" not in due
    assert "nest yellow" not in due


def test_verdicts_of_today_are_counted(client: FlaskClient) -> None:
    words = " ".join(client.get("/").text.split("tally")[1].split("</p>")[0].split())
    assert "Pass</span> 1<" in words
    assert "Fail</span> 1<" in words
    assert "Void</span> 0<" in words


def test_interrupted_sample_is_measured_again(
    client: FlaskClient, bench: FakeBench, records: LedgerReader, token: str
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
    client: FlaskClient, bench: FakeBench, records: LedgerReader
) -> None:
    bench.start(order_of("Bo Invented", "blue"))
    assert bench.board.state.stage is Stage.CLIP_ON
    assert len(records.unfinished()) == 2
    assert client.get("/").text.count("/again") == 1
