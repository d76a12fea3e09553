"""Jobs on the page: a daily check from due to its outcome, holds, work, and what is refused."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from station.bench.board import Stage
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import JobBegun, ToolAdded
from station.ledger.jobs import holds, jobs, work
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE, NOW, begun, moment, order_of
from tests.web.visitor import Visitor
from web.format import place
from web.request import Station

TOOL = "Hand tool 1"
BLUE = place(TOOL, "blue")


def begin(client: FlaskClient, *nests: str, person: str = "Bo Invented") -> str:
    """A check that is open, with no sample of it taken up yet."""
    here: Station = client.application.extensions["station"]
    return here.bench.jobs.begin_check([(TOOL, nest) for nest in nests], person=person)


def make(
    client: FlaskClient, bench: BenchAtHand, token: str, job_id: str, peak_n: float = 142.0,
    person: str = "Bo Invented",
) -> None:  # fmt: skip
    """Make the next sample as a person at the page does."""
    page = client.get(f"/jobs/{job_id}").text
    joint = re.search(r'<option value="(\[.*?\])">', page)
    assert joint is not None
    data = {
        "csrf_token": token,
        "person": person,
        "place": re.findall(r'name="place" value="([^"]*)"', page)[0].replace("&#34;", '"'),
        "joint": joint[1].replace("&#34;", '"'),
    }
    answer = client.post(f"/jobs/{job_id}/sample", data=data)
    assert (answer.status_code, answer.location) == (303, "/bench"), answer.text
    bench.finish(peak_n)


def test_a_check_is_followed_from_due_to_released(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    # The history has one good sample of the nest today, made outside of a job: it counts.
    job_id = begin(client, "blue")
    page = client.get(f"/jobs/{job_id}").text
    assert "Make 2 samples with Hand tool 1, nest blue" in page
    assert "airbag" in page
    make(client, bench, token, job_id)
    assert "Next: 3 of 3" in client.get("/bench").text
    assert "Make 1 sample" in client.get(f"/jobs/{job_id}").text
    make(client, bench, token, job_id, person="Ann Example")
    page = client.get(f"/jobs/{job_id}").text
    assert "Released for the day" in page
    assert "data-print" in page, "a kiosk has no menu to print by"
    assert "All 3 samples passed" in page
    assert page.count('<a href="/samples/') == 3, "all three that it rests on are listed"
    assert "Make this sample" not in page
    assert [row.outcome for row in jobs(records)] == ["released"]
    ended = client.get("/").text.split("Lately ended")[1]
    assert f'href="/jobs/{job_id}"' in ended
    assert "Hand tool 1, nest blue" in ended


def test_a_job_whose_sample_is_at_the_bench_sends_there(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    job_id = begin(client, "blue")
    joint = order_of("Bo Invented", "blue").joint
    bench.clip(SampleOrder("Bo Invented", "daily_check", joint, job_id=job_id))
    page = client.get(f"/jobs/{job_id}").text
    assert 'href="/bench">Go to the bench' in page
    assert "never finished" not in page
    assert "Make this sample" not in page


def test_a_nest_without_samples_asks_what_the_first_is_made_of(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    bench.enter(ToolAdded(tool="Hand tool 9", description="new", nests=("red",)), "Bo Invented")
    data = {"csrf_token": token, "person": "Bo Invented", "place": [place("Hand tool 9", "red")]}
    answer = client.post("/next/check", data=data)
    page = client.get(str(answer.location)).text
    assert "What the sample is made of" in page
    assert "As above" not in page
    assert '<select name="wire" required>' in page


def test_who_was_at_it_is_chosen_already(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    job_id = begin(client, "blue", person="Ann Example")
    assert "<option selected>Ann Example</option>" in client.get(f"/jobs/{job_id}").text
    make(client, bench, token, job_id)
    assert "<option selected>Bo Invented</option>" in client.get(f"/jobs/{job_id}").text


def test_a_fail_holds_the_nest_and_lists_what_went_through_it(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    note = {"csrf_token": token, "person": "Bo Invented", "place": BLUE, "work_order": "W-9"}
    assert client.post("/jobs/log/work", data=note).status_code == 303
    job_id = begin(client, "blue")
    make(client, bench, token, job_id, peak_n=50.0)
    assert [row.nest for row in holds(records)] == ["blue"]
    for address in (f"/jobs/{job_id}", f"/tools/{TOOL}/blue"):
        assert "W-9" in client.get(address).text
    # What may be many lines is folded.
    assert "W-9" in client.get(f"/tools/{TOOL}/blue").text.split("<summary>List them</summary>")[1]
    again = {"csrf_token": token, "person": "Bo Invented", "place": BLUE}
    answer = client.post("/next/check", data=again)
    assert answer.status_code == 409
    assert "is held since" in answer.text


def test_a_held_nest_says_once_what_holds_it(client: FlaskClient, bench: BenchAtHand) -> None:
    page = f"/tools/{TOOL}/red"
    [sentence] = re.findall(r'<p class="sentence">(.*?)</p>', client.get(page).text)
    bench.jobs.nests.hold(TOOL, "red", f"The check says: {sentence}", "Bo Invented")
    assert client.get(page).text.count(sentence) == 1


def test_a_held_nest_cannot_be_used_from_the_bench_page(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.jobs.nests.hold(TOOL, "blue", "chipped", "Bo Invented")
    before = records.counts().samples
    data = {
        "csrf_token": token, "person": "Bo Invented", "job": "daily_check", "place": BLUE,
        "connector": "butt-splice-red", "wire": "18 AWG",
    }  # fmt: skip
    answer = client.post("/bench", data=data)
    assert answer.status_code in (400, 409)
    assert "is held since" in answer.text
    assert records.counts().samples == before
    assert client.post("/bench", data=data | {"job": "service"}).status_code == 303


def test_only_a_lead_who_is_signed_in_services_and_releases(
    client: FlaskClient, bench: BenchAtHand, records: LedgerReader, token: str
) -> None:
    bench.jobs.nests.hold(TOOL, "blue", "chipped", "Bo Invented")
    for address, field in (("service", "action"), ("release", "reason")):
        data = {"csrf_token": token, "place": BLUE, field: "done"}
        assert client.post(f"/jobs/nests/{address}", data=data).status_code in (401, 403)
    assert "A lead who is signed in" in client.get(f"/tools/{TOOL}/blue").text
    assert [row.released_seq for row in holds(records)] == [None]


def test_an_interrupted_sample_of_a_job_is_made_again_in_it(
    client: FlaskClient, bench: BenchAtHand, ledger: Ledger, token: str
) -> None:
    job_id = begin(client, "blue")
    order = bench.jobs.order(replace(order_of("Bo Invented", "blue"), job_id=job_id))
    left = ledger.append(begun(order), person="Bo Invented").id
    assert "was interrupted" in client.get(f"/jobs/{job_id}").text
    make(client, bench, token, job_id)
    row = ledger.reader.samples(limit=1)[0]
    assert (row.replaces, row.job_id) == (left, job_id)


def test_the_page_of_a_job_shows_names_as_text(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    job_id = begin(client, "blue", person=HOSTILE)
    for address in ("/", f"/jobs/{job_id}"):
        assert "<script>document" not in client.get(address).text


def test_a_paper_is_one_file_without_scripts(
    client: FlaskClient, bench: BenchAtHand, token: str
) -> None:
    job_id = begin(client, "blue", person=HOSTILE)
    make(client, bench, token, job_id, peak_n=50.0, person=HOSTILE)
    for size in ("a4", "letter"):
        answer = client.get(f"/jobs/{job_id}/paper.html?size={size}")
        assert answer.headers["Content-Disposition"].startswith("attachment")
        assert "HELD: DO NOT USE" in answer.text
        assert "<script" not in answer.text
        assert "<svg" in answer.text
        assert "http" not in answer.text.replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize(
    ("address", "data", "status", "says"),
    [
        ("/next/check", {"person": "Bo Invented"}, 400, "which nests"),
        ("/next/check", {"person": "", "place": BLUE}, 400, "the person"),
        ("/next/check", {"person": "A stranger", "place": BLUE}, 400, "not on record"),
        (
            "/next/check",
            {"person": "Bo Invented", "place": place(TOOL, "green")},
            400,
            "no nest",
        ),
        ("/jobs/none/end", {"person": "Bo Invented"}, 404, "not on record"),
        ("/jobs/none/sample", {"person": "Bo Invented"}, 404, "not on record"),
        ("/jobs/log/work", {"person": "Bo Invented", "place": BLUE}, 400, "the work order"),
        (
            "/jobs/log/work",
            {"person": "Bo Invented", "place": BLUE, "work_order": "W", "day": "soon"},
            400,
            "is no date",
        ),
        (
            "/jobs/log/work",
            {"person": "Bo Invented", "place": BLUE, "work_order": "W",
             "day": (NOW + timedelta(days=3)).date().isoformat()},
            400,
            "still to come",
        ),
        (
            "/jobs/log/work",
            {"person": "Bo Invented", "place": BLUE, "work_order": "W", "day": "0026-11-25"},
            400,
            "check the year",
        ),
        (
            "/jobs/log/work",
            {"person": "Bo Invented", "place": BLUE, "work_order": "W", "note": "a\x00b"},
            400,
            "Type the note anew",
        ),
        (
            "/jobs/nests/hold",
            {"person": "Bo Invented", "place": BLUE, "reason": "\u202eneddih"},
            400,
            "Type the reason anew",
        ),
        ("/jobs/nests/hold", {"person": "Bo Invented", "place": BLUE}, 400, "the reason"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_a_sentence(
    client: FlaskClient, records: LedgerReader, token: str,
    address: str, data: dict[str, str], status: int, says: str,
) -> None:  # fmt: skip
    before = records.counts().entries
    answer = client.post(address, data={"csrf_token": token, **data})
    assert answer.status_code == status
    assert says in answer.text
    assert records.counts().entries == before


def test_samples_of_other_jobs_are_not_made_here(
    client: FlaskClient, ledger: Ledger, token: str
) -> None:
    other = JobBegun(job="certification", plan_id="certification", plan={}, scope={})
    job_id = ledger.append(other, person="Ann Example").id
    data = {"csrf_token": token, "person": "Bo Invented", "place": BLUE}
    answer = client.post(f"/jobs/{job_id}/sample", data=data)
    assert answer.status_code == 400
    assert "its own page" in answer.text


def test_a_forged_request_changes_nothing(client: FlaskClient, records: LedgerReader) -> None:
    for address in (
        "/next/check",
        "/jobs/log/work",
        "/jobs/nests/hold",
        "/jobs/nests/release",
    ):
        assert client.post(address, data={"person": "Bo Invented"}).status_code == 400
    assert list(work(records)) == []
    assert jobs(records) == []


def test_a_check_goes_on_after_the_page_was_closed_and_the_day_changed(
    client: FlaskClient, bench: BenchAtHand, ledger: Ledger, token: str
) -> None:
    job_id = begin(client, "yellow")
    # Yellow failed today before its check began: nothing more is to be made.
    assert "Held" in client.get(f"/jobs/{job_id}").text
    other = begin(client, "blue")
    ledger.append(begun(order_of("Ann Example", "red")), person="Ann Example",
                  moment=moment(NOW + timedelta(days=1)))  # fmt: skip
    assert other in client.get("/").text
    make(client, bench, token, other, person="Ann Example")
    assert bench.board.state.stage is Stage.DONE


def test_a_held_nest_comes_back_by_three_steps_one_button_each(
    lead: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    path = f"/tools/{TOOL}/blue"
    bench.jobs.nests.hold(TOOL, "blue", "chipped", "Bo Invented")
    buttons = ("Enter service</button>", "Validate a tool</a>", "Release</button>")

    def offered() -> list[str]:
        page = lead.get(path).text.split("How it comes back")[1].split("</section>")[0]
        return [button for button in buttons if button in page]

    assert offered() == [buttons[0]]
    entered = lead.post("/jobs/nests/service", place=BLUE, action="new die")
    assert (entered.status_code, entered.location) == (303, path.replace(" ", "%20"))
    assert offered() == [buttons[1]]
    joint = order_of("Bo Invented", "blue").joint
    again = ledger.reader.baselines()[joint.key].model_copy(update={"baseline_version": 9})
    ledger.append(again, person="Ann Example")
    assert offered() == [buttons[2]]
    assert lead.post("/jobs/nests/release", place=BLUE, reason="as new").status_code == 303
    assert "How it comes back" not in lead.get(path).text


def test_the_old_list_of_jobs_leads_to_today(client: FlaskClient) -> None:
    answer = client.get("/jobs")
    assert (answer.status_code, answer.location) == (301, "/")


def test_every_page_says_that_a_sample_is_under_way(
    client: FlaskClient, bench: BenchAtHand
) -> None:
    pages = ("/", "/tools", "/people", "/more", "/samples")
    assert not any("A sample is under way." in client.get(path).text for path in pages)
    bench.clip(order_of("Bo Invented", "blue"))
    assert all("A sample is under way." in client.get(path).text for path in pages)
    assert "A sample is under way." not in client.get("/bench").text
