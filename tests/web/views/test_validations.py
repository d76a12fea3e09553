"""Tool validations on the page: begun, interrupted, ended, and who may not."""

import re

import pytest

from station.jobs.validation.record import read as read_validation
from station.ledger.store import Ledger
from tests.station.jobs.invented_samples import normal_forces
from tests.station.jobs.recorded import check_instruments
from tests.web.benches import BenchAtHand
from tests.web.invented import HOSTILE
from tests.web.papers import names_its_limits
from tests.web.visitor import Visitor

PERSON = "Bo Invented"
LINE = {"connector1": "butt-splice-red", "wire1": "18 AWG", "nest1": "red"}


def begun(visitor: Visitor, **more: str) -> str:
    form = {"person": PERSON, "tool": "Hand tool 1", **LINE, **more}
    answer = visitor.post("/validations", **form)
    assert answer.status_code == 303, answer.text
    return answer.headers["Location"].rsplit("/", 1)[1]


def measured(bench: BenchAtHand, force_n: float) -> None:
    """Finish the sample that the page began."""
    bench.finish(force_n, splice_ohm=3.5e-4 * 145.0 / force_n)


def test_begin_form_offers_what_is_on_record(visitor: Visitor) -> None:
    page = visitor.get("/validations").text
    assert "Hand tool 1" in page
    assert page.count("<fieldset") == 4
    assert page.count("Another joint") == 3
    assert "30 samples of each joint; at two minutes a sample, about 60 minutes each" in page


@pytest.mark.parametrize(
    "wrong",
    [
        {"tool": "No such tool"},
        {"wire1": "soup"},
        {"nest1": "purple"},
        {"connector1": ""},
        {"connector1": "nothing"},
        {"person": "Nobody"},
        {"plan": "daily-check"},
        {"limit_set": "nothing"},
        {"tool": HOSTILE},
    ],
)
def test_wrong_forms_come_back_and_write_nothing(
    wrong: dict[str, str], visitor: Visitor, ledger: Ledger
) -> None:
    form = {"person": PERSON, "tool": "Hand tool 1", **LINE} | wrong
    answer = visitor.post("/validations", **form)
    assert 400 <= answer.status_code < 500
    assert "<script>document" not in answer.text
    assert not list(ledger.reader.entries("job_begun"))


def test_gauges_and_paper(visitor: Visitor, ledger: Ledger) -> None:
    job_id = begun(visitor)
    page = visitor.get(f"/jobs/{job_id}", follow_redirects=True).text
    assert "never checked" in page
    assert "local codes and licensed practice decide" in page
    post = f"/validations/{job_id}/nest-gauge"
    assert visitor.post(post, person=PERSON, nest="red", gauge=HOSTILE, go="yes").status_code == 303
    joint = read_validation(ledger.reader, job_id).scope.joints[0].key
    heights = {"height1": "2.0", "height2": "2.01", "height3": "1.99"}
    bounds = {"lower": "1.9", "upper": "2.1"}
    path = f"/validations/{job_id}/crimp-height"
    assert visitor.post(path, person=PERSON, joint=joint, **heights, **bounds).status_code == 303
    assert visitor.post(path, person=PERSON, joint=joint, height1="two").status_code == 400
    page = visitor.get(f"/validations/{job_id}").text
    assert "does NOT stop" in page
    assert "<script>document" not in page
    paper = visitor.get(f"/jobs/{job_id}/paper.html?size=letter")
    assert "attachment" in paper.headers["Content-Disposition"]
    assert "size:letter" in paper.text
    assert "<script>document" not in paper.text


def test_no_sample_before_the_gauges_were_checked(visitor: Visitor) -> None:
    job_id = begun(visitor)
    answer = visitor.post(f"/validations/{job_id}/sample", person=PERSON)
    assert answer.status_code == 409
    assert "Check it against a standard" in answer.text
    page = visitor.get(f"/validations/{job_id}").text
    assert "Make the sample" not in page
    for role in ("meter", "tester"):
        [way] = re.findall(rf'href="(/instruments/check\?role={role})"', page)
        assert visitor.get(way).status_code == 200


def test_nobody_but_a_signed_in_lead_ends_it(
    visitor: Visitor, apprentice: Visitor, lead: Visitor, ledger: Ledger
) -> None:
    job_id = begun(visitor)
    path = f"/validations/{job_id}/end"
    assert visitor.post(path, give_up="yes").status_code == 401
    assert apprentice.post(path, give_up="yes").status_code == 403
    assert lead.post(path).status_code == 400
    assert read_validation(ledger.reader, job_id).open
    assert lead.post(path, give_up="yes").status_code == 303
    assert not read_validation(ledger.reader, job_id).open
    assert "Not finished" in visitor.get(f"/validations/{job_id}").text
    # Wherever it is listed, it says what it was of.
    for page in ("/validations", "/"):
        [line] = [one for one in visitor.get(page).text.split("<li>") if job_id in one]
        assert "Hand tool 1, nest red" in line.split("</li>")[0]


def test_walked_to_its_end_with_a_new_page_for_every_sample(
    visitor: Visitor, lead: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    job_id = begun(visitor)
    check_instruments(ledger)
    visitor.post(f"/validations/{job_id}/nest-gauge", person=PERSON, nest="red", gauge="")
    joint = read_validation(ledger.reader, job_id).scope.joints[0].key
    visitor.post(f"/validations/{job_id}/crimp-height", person=PERSON, joint=joint)
    for place, force in enumerate(normal_forces(30, 145.0, 8.0), 1):
        page = Visitor(visitor.app).get(f"/validations/{job_id}").text
        assert f"sample {place} of 30" in page
        answer = visitor.post(f"/validations/{job_id}/sample", person=PERSON)
        assert answer.status_code == 303, answer.text
        measured(bench, force)
    assert lead.post(f"/validations/{job_id}/end").status_code == 303
    page = visitor.get(f"/validations/{job_id}").text
    assert re.search(r'class="outcome">Accepted<', page)
    german = visitor.get(f"/validations/{job_id}", headers={"Accept-Language": "de"}).text
    assert "Auszugskraft jeder Probe" in german
    assert "tolerance bound" not in german
    assert names_its_limits(visitor.get(f"/jobs/{job_id}/paper.html").text, "18 AWG")


def test_a_sample_given_up_waits_for_a_lead_and_refuses_nothing(
    visitor: Visitor, lead: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    job_id = begun(visitor)
    check_instruments(ledger)
    assert visitor.post(f"/validations/{job_id}/sample", person=PERSON).status_code == 303
    bench.give_up("the clip came off")
    page = visitor.get(f"/validations/{job_id}").text
    assert re.search(r'class="outcome">Not finished<', page)
    assert "Void on the operator&#39;s word alone: 1." in page
    (row,) = read_validation(ledger.reader, job_id).samples
    assert f"/samples/{row.sample_id}" in page
    sample = f"/samples/{row.sample_id}"
    assert "Confirm: the test was bad" in lead.get(sample).text
    said = {"act": "void", "reason": "seen: the clip hung loose"}
    assert lead.post(f"{sample}/correct", **said).status_code == 303
    assert "Void on the operator" not in visitor.get(f"/validations/{job_id}").text
    assert "Confirm: the test was bad" not in lead.get(sample).text
    assert lead.post(f"{sample}/correct", **said).status_code == 400
