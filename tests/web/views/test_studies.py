"""Gauge studies on the page."""

import html
import re

import pytest
from flask.testing import FlaskClient

from station.errors import InstrumentSilent
from station.ledger.entries import StudyReading
from station.ledger.store import Ledger
from station.shop.studies import StudyProgress, studies
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE

PEOPLE = "Ann Example, Bo Invented"
CROSSED = {
    "kind": "crossed", "title": "Clips in spring", "instrument": "Invented meter",
    "people": PEOPLE, "parts": "P1, P2, P3", "repeats": "2", "limit": "0.5",
    "person": "Bo Invented",
}  # fmt: skip


def post(client: FlaskClient, path: str, token: str, **form: str) -> tuple[int, str]:
    answer = client.post(
        f"/instruments/studies{path}", data={"csrf_token": token, **form}, follow_redirects=True
    )
    return answer.status_code, html.unescape(answer.text)


def latest(ledger: Ledger) -> StudyProgress:
    return studies(ledger.reader)[0]


def begin(client: FlaskClient, ledger: Ledger, token: str, **changes: str) -> StudyProgress:
    status, text = post(client, "", token, **CROSSED | changes)
    assert status == 200, text
    return latest(ledger)


def read(client: FlaskClient, token: str, progress: StudyProgress, **form: str) -> tuple[int, str]:
    return post(client, f"/{progress.id}/read", token, **{"how": "typed"} | form)


def test_a_study_is_begun_measured_and_judged(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    begin(client, ledger, token)
    value_of = {"P1": 0.30, "P2": 0.32, "P3": 0.34}
    text = ""
    while (turn := latest(ledger).next_turn) is not None:
        due = latest(ledger).begun.turns[turn]
        page = html.unescape(client.get(f"/instruments/studies/{latest(ledger).id}").text)
        assert f"{due.appraiser} measures part {due.part}, round {due.trial}." in page
        assert f"Turn {turn + 1} of 12" in page
        # What was read before would steer the next reading.
        assert re.search(r"0\.3\d", page) is None
        value = value_of[due.part] + 0.001 * (turn % 3)
        status, text = read(
            client, token, latest(ledger), turn=str(turn + 1), readings=f"{value:.4f}"
        )
        assert status == 200
    assert "Can good be told from bad at 0.5 mΩ? Yes" in text
    assert "<svg" in text
    assert 'style="' not in text
    people = [entry.person for entry in ledger.reader.entries(kind=StudyReading.KIND)]
    assert sorted(set(people)) == ["Ann Example", "Bo Invented"]
    assert "complete" in client.get("/instruments/studies").text


def test_the_bench_reads_the_meter(
    client: FlaskClient, ledger: Ledger, bench: BenchAtHand, token: str
) -> None:
    progress = begin(client, ledger, token)
    bench.bay.ohm = 0.5e-3
    status, _ = read(client, token, progress, how="read", turn="1")
    assert status == 200
    assert latest(ledger).values[0] == pytest.approx(0.5e-3)
    bench.bay.problem = InstrumentSilent("The milliohm meter does not answer: switch it on.")
    status, text = read(client, token, progress, how="read", turn="2")
    assert status == 503
    assert "does not answer" in text
    assert latest(ledger).done == 1


@pytest.mark.parametrize(
    ("form", "says"),
    [
        ({"turn": "2", "readings": "0.3"}, "not due yet"),
        ({"turn": "99", "readings": "0.3"}, "no turn 99"),
        ({"turn": "x", "readings": "0.3"}, "load the page again"),
        ({"readings": "0.3"}, "load the page again"),
        ({"turn": "1", "readings": "much"}, "as a number"),
        ({"turn": "1", "readings": ""}, "Fill in the readings"),
    ],
)
def test_a_bad_reading_is_refused(
    client: FlaskClient, ledger: Ledger, token: str, form: dict[str, str], says: str
) -> None:
    progress = begin(client, ledger, token)
    status, text = read(client, token, progress, **form)
    assert status == 400
    assert says in text
    assert latest(ledger).done == 0


def test_a_turn_is_measured_again_only_with_a_reason(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    progress = begin(client, ledger, token)
    assert read(client, token, progress, turn="1", readings="9")[0] == 200
    assert read(client, token, progress, turn="1", readings="0.3")[0] == 400
    again = {"turn": "1", "readings": "0.3", "reason": "a clip slipped"}
    assert read(client, token, progress, **again)[0] == 200
    assert latest(ledger).values[0] == pytest.approx(0.3e-3)


def test_a_study_is_given_up(client: FlaskClient, ledger: Ledger, token: str) -> None:
    progress = begin(client, ledger, token)
    form = {"reason": "a part was lost", "person": "Bo Invented"}
    assert post(client, f"/{progress.id}/drop", token, **form)[0] == 200
    assert latest(ledger).dropped == "a part was lost"
    assert "Given up: a part was lost" in client.get(f"/instruments/studies/{progress.id}").text
    assert read(client, token, progress, turn="1", readings="0.3")[0] == 400
    assert post(client, f"/{progress.id}/drop", token, **form)[0] == 400


def test_other_studies_are_begun(
    client: FlaskClient, ledger: Ledger, bench: BenchAtHand, token: str
) -> None:
    one = {"kind": "reclip", "people": "Ann Example", "parts": "P1", "clippings": "3", "each": "2"}
    assert len(begin(client, ledger, token, **one).values) == 6
    pulls = {"kind": "nested", "parts": "A,B,C,D", "each": "5", "instrument": "Invented tester"}
    progress = begin(client, ledger, token, **pulls)
    assert (len(progress.values), progress.begun.side) == (20, "lower")
    page = client.get(f"/instruments/studies/{progress.id}").text
    assert "Nobody in line with the pull" in page
    assert "Gripped: record the pull" in page
    bench.bay.peak_n = 142.5
    assert read(client, token, progress, how="read", turn="1")[0] == 200
    assert latest(ledger).values[0] == pytest.approx(142.5, abs=0.1)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"kind": ""}, "Choose which study"),
        ({"title": ""}, "Fill in the title"),
        ({"parts": "P1"}, "at least 2 parts"),
        ({"parts": "P1, P1"}, "named twice"),
        ({"people": "Nobody"}, "Nobody is not on record"),
        ({"person": "Nobody"}, "Nobody is not on record"),
        ({"repeats": "many"}, "whole number"),
        ({"repeats": "9999"}, "too many"),
        ({"limit": "low"}, "the limit as a number"),
        ({"instrument": ""}, "Fill in the instrument"),
        ({"kind": "reclip"}, "one person and one part"),
        ({"kind": "nested", "each": "3"}, "cannot be dealt out"),
    ],
)
def test_a_bad_plan_is_refused_and_its_form_kept(
    client: FlaskClient, ledger: Ledger, token: str, changes: dict[str, str], says: str
) -> None:
    status, text = post(client, "", token, **CROSSED | changes)
    assert status == 400
    assert says in text
    if "title" not in changes:
        assert 'value="Clips in spring"' in text
    assert studies(ledger.reader) == []


def test_hostile_text_stays_text_and_unknown_studies_are_refused(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    begin(client, ledger, token, title=HOSTILE, parts="<b>P</b>, P2")
    for path in ("", f"/{latest(ledger).id}"):
        answer = client.get(f"/instruments/studies{path}")
        assert answer.status_code == 200
        assert "<script>document" not in answer.text
        assert "<b>P" not in answer.text
    assert client.get("/instruments/studies/none").status_code == 404
