"""Certifications on the page: walked to a certificate, and everything that is refused."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask

from station.bench.board import Stage
from station.jobs.certification.blind import pool
from station.jobs.certification.record import read as read_certification
from station.ledger.entries import (
    DoorEvent,
    JobBegun,
    JobEnded,
    NestHeld,
    PersonAdded,
    SampleBegun,
)
from station.ledger.store import Ledger
from tests.doors import PASSPHRASE, PIN, give_secret
from tests.web import invented
from tests.web.benches import BenchAtHand
from tests.web.invented import NOW, finish, order_of
from tests.web.papers import names_its_limits
from tests.web.visitor import Visitor
from web import create_app

ANN, BO, CY, DI = "Ann Example", "Bo Invented", "Cy Madeup", "Di Fictive"
"""A lead, an apprentice, an installer and another lead."""

SHORTER = """
id = "short"
job = "certification"
title = "Short invented certification"
standing = "shop"
reasoning = ["short, for a test"]
samples_per_task = 4
spares_per_task = 1
controls_per_task = 1
share = 0.80
confidence = 0.80
minor_faults_allowed = 1
spread_ratio_max = 1.5
resit_tasks = 1
resit_after_days = 0
new_attempt_after_days = 14
valid_months = 12
remind_days = 30
tasks = [
  {id = "splice", title = "Splice", connector = "butt-splice-red", band = "red", wires = [
    "18 AWG", "18 AWG"]},
  {id = "ring", title = "Ring", connector = "ring-blue", wires = ["16 AWG"], band = "blue"},
]
"""
CODES = 12
"""Four samples, a spare and a control of two tasks."""


@pytest.fixture
def app(app: Flask, bench: BenchAtHand, ledger: Ledger, tmp_path: Path) -> Flask:
    (tmp_path / "plans").mkdir()
    (tmp_path / "plans" / "short.toml").write_text(SHORTER, encoding="utf-8")
    bench.settings = bench.settings.model_copy(update={"plans_folder": tmp_path / "plans"})
    for name, role in ((CY, "installer"), (DI, "lead")):
        added = PersonAdded.model_validate({"name": name, "role": role, "demo": True})
        ledger.append(added, person=ANN)
    for name in (ANN, CY, DI):
        give_secret(ledger, name)
    give_secret(ledger, BO, PIN)
    return app


@pytest.fixture
def people(app: Flask) -> dict[str, Visitor]:
    secrets = {ANN: PASSPHRASE, BO: PIN, CY: PASSPHRASE, DI: PASSPHRASE}
    return {name: Visitor(app).sign_in(name, secret) for name, secret in secrets.items()}


def begun(lead: Visitor, candidate: str = BO) -> str:
    form = {"candidate": candidate, "tool": "Hand tool 1", "plan": "short"}
    answer = lead.post("/certifications", **form)
    assert answer.status_code == 303, answer.text
    return answer.headers["Location"].rsplit("/", 1)[1]


def labelled(people: dict[str, Visitor], candidate: str = BO, lead: str = ANN) -> str:
    job_id = begun(people[lead], candidate)
    page = people[CY].post(f"/certifications/{job_id}/key")
    assert page.status_code == 200
    assert page.text.count("<tr><td><code>") == CODES
    return job_id


def answers(judge: Visitor, code: str, fault: str = "") -> dict[str, str]:
    page = judge.get(f"/certifications/judging/{code}").text
    items = dict.fromkeys(re.findall(r'name="(item-[^"]+)"', page))
    assert items
    return {item: "fault" if item == f"item-{fault}" else "good" for item in items}


def judged(judge: Visitor, bench: BenchAtHand, ledger: Ledger, code: str) -> None:
    path = f"/certifications/judging/{code}"
    assert judge.post(path, **answers(judge, code)).status_code == 303
    assert judge.post(f"{path}/measure", person=ANN).status_code == 303
    order = bench.board.state.order
    assert order is not None
    assert (order.step, order.job_id) == (code, None)
    spread = sum(map(ord, code)) % 11 - 5.0
    # Without a reel the share of 22 AWG is known to some 0.2 mΩ only.
    bench.finish(170.0 + 2.0 * spread, splice_ohm=2e-4)


def test_walked_to_a_certificate(
    people: dict[str, Visitor], bench: BenchAtHand, ledger: Ledger
) -> None:
    job_id = labelled(people)
    page = f"/certifications/{job_id}"
    while waiting := pool(ledger.reader).samples:
        assert "What was found is shown when" in people[BO].get(page).text
        judged(people[ANN], bench, ledger, waiting[0].code)
    assert "not signed yet" in people[BO].get(page).text
    assert people[ANN].post(f"{page}/sign").status_code == 303
    assert "signed, not ended yet" in people[BO].get(page).text
    assert people[BO].post(f"{page}/acknowledge").status_code == 303
    assert people[ANN].post(f"{page}/end").status_code == 303
    shown = people[BO].get(page).text
    assert "not ended yet" not in shown
    assert 'class="outcome">Certified<' in shown
    ended = read_certification(ledger.reader, job_id).record.ended
    assert ended is not None
    assert ended.signatures == (ANN, BO)
    found = people[BO].get(f"/certifications/lookup?hash={(ended.record_hash or '')[:12]}").text
    assert f"{BO}: Short invented certification" in found
    assert "valid until" in people[BO].get("/certifications").text
    paper = people[BO].get(f"/jobs/{job_id}/paper.html").text
    assert "8 of 8 crimps conformed" in paper
    assert all(names_its_limits(paper, size) for size in ("18 AWG", "16 AWG"))
    head = ledger.reader.head()
    assert f"when this was printed: {head.short}. " in paper
    assert f"<title>{head}</title>".upper() in paper.upper()
    ledger.append(DoorEvent(event="signed_out", about=ANN, way="bench"), person=ANN)
    page = "/certifications/lookup"
    asked = people[BO].get(page, query_string={"hash": head.short}).text
    assert f"Entry {head.seq} is on record with this hash" in asked
    forged = f"{head.seq}:{'0' * 16}"
    asked = people[BO].get(page, query_string={"hash": forged}).text
    assert "is not the one that the paper was printed from" in asked
    assert people[BO].get(page, query_string={"hash": "9:0"}).status_code == 400


def test_each_step_is_offered_to_whom_it_is_for(
    people: dict[str, Visitor], visitor: Visitor, bench: BenchAtHand, ledger: Ledger
) -> None:
    job_id = begun(people[ANN])
    page = f"/certifications/{job_id}"

    door = f'href="/sign-in?next={page}"'

    def offered(words: str) -> set[str]:
        everybody = {"nobody": visitor, **people}
        shown = {name: one.get(page).text for name, one in everybody.items()}
        found = {name for name, text in shown.items() if f"<button>{words}</button>" in text}
        # Whom it is not for is led to signing in; a lead better lets somebody else label.
        without_door = set() if "key" in words else found
        assert {name for name, text in shown.items() if door not in text} == without_door
        return found

    assert offered("Show me the key: I label the samples") == {ANN, CY, DI}
    assert people[CY].post(f"{page}/key").status_code == 200
    while waiting := pool(ledger.reader).samples:
        judged(people[ANN], bench, ledger, waiting[0].code)
    assert offered("Sign the outcome") == {ANN, DI}
    people[ANN].post(f"{page}/sign")
    assert offered("I have seen the outcome") == {BO}
    people[BO].post(f"{page}/acknowledge")
    assert offered("End the certification") == {ANN, DI}


def test_what_is_to_be_made_is_told_without_codes(
    people: dict[str, Visitor], ledger: Ledger
) -> None:
    assert "2 tasks, each with 4 crimps and 1 spares" in people[ANN].get("/certifications").text
    job_id = begun(people[ANN])
    page = people[BO].get(f"/certifications/{job_id}").text
    made = "4 by the candidate and 1 to spare, 1 by a certified hand as a control"
    assert re.findall(r"<li>(\w+): ([^<]*)</li>", page) == [("Splice", made), ("Ring", made)]
    key = read_certification(ledger.reader, job_id).key
    assert not any(code in page for code in key)
    people[CY].post(f"/certifications/{job_id}/key")
    assert "To be made" not in people[BO].get(f"/certifications/{job_id}").text


def test_the_key_is_in_the_order_in_which_samples_are_made(
    people: dict[str, Visitor],
) -> None:
    job_id = begun(people[ANN])
    page = people[CY].post(f"/certifications/{job_id}/key").text
    rows = re.findall(r"</code></td><td>(\w+)</td>\s*<td>([^<]+)</td><td[^>]*>(\d+)<", page)
    of_task = [("the candidate", str(number)) for number in range(1, 5)]
    of_task += [("a spare by the candidate", "1"), ("a control by a certified hand", "1")]
    assert rows == [(task, *one) for task in ("Splice", "Ring") for one in of_task]


def test_a_judge_is_warned_before_a_key(people: dict[str, Visitor]) -> None:
    job_id = labelled(people)
    again, label = "Show me the key again", "Somebody else labels"
    shown = {name: one.get(f"/certifications/{job_id}").text for name, one in people.items()}
    assert {name for name, text in shown.items() if again in text} == {CY}
    assert {name for name, text in shown.items() if label in text} == {ANN, DI}
    judging = 'href="/certifications/judging"'
    assert {name for name, text in shown.items() if judging in text} == {ANN, DI}
    led = f'href="/sign-in?next=/certifications/{job_id}"'
    assert {name for name, text in shown.items() if led in text} == {BO, CY}


def test_a_typed_code_leads_to_its_sample_and_what_is_not_ticked_is_good(
    people: dict[str, Visitor], ledger: Ledger
) -> None:
    labelled(people)
    code = pool(ledger.reader).samples[0].code
    answer = people[ANN].get(f"/certifications/judging?code={code.lower()}")
    page = people[ANN].get(answer.headers["Location"])
    items = re.findall(r'type="checkbox" name="(item-[^"]+)"', page.text)
    # As a browser sends it: a tick comes before the hidden answer that stands without it.
    ticked = {items[0]: ["fault", "good"], **dict.fromkeys(items[1:], "good")}
    assert people[ANN].post(f"/certifications/judging/{code}", **ticked).status_code == 303
    judged_so = pool(ledger.reader).samples[0].judged
    assert judged_so is not None
    assert [f"item-{item}" for item, good in judged_so.items() if not good] == items[:1]
    assert people[ANN].get("/certifications/judging?code=none+such").status_code == 303


def test_from_one_coded_sample_to_the_next(
    people: dict[str, Visitor], bench: BenchAtHand, ledger: Ledger
) -> None:
    labelled(people)
    code = pool(ledger.reader).samples[0].code
    people[DI].post(f"/certifications/judging/{code}", **answers(people[DI], code))
    measuring = people[DI].get(f"/certifications/judging/{code}").text
    assert f"<option selected>{DI}</option>" in measuring
    people[DI].post(f"/certifications/judging/{code}/measure", person=DI)
    at_bench = people[DI].get("/bench").text
    assert 'href="/certifications/judging">Next coded sample<' in at_bench
    # Another crimp of the same joint would be nobody's.
    assert "Next sample of this joint" not in at_bench
    bench.board.show(stage=Stage.IDLE, order=None)
    assert "Next coded sample" not in people[DI].get("/bench").text


def test_the_list_leads_to_the_judging_only_where_something_waits(
    people: dict[str, Visitor], visitor: Visitor
) -> None:
    assert "Judge coded samples" not in people[ANN].get("/certifications").text
    assert 'href="/sign-in?next=/certifications"' in visitor.get("/certifications").text
    labelled(people)
    # Eight crimps and two controls; spares wait until one is void.
    assert "Judge coded samples (10 wait)" in people[ANN].get("/certifications").text
    assert f">{BO}, " in people[ANN].get("/certifications").text


def test_the_list_says_what_an_apprentice_is_to_practise(
    people: dict[str, Visitor], ledger: Ledger
) -> None:
    order = replace(order_of(BO, "blue"), job="practice")
    for peak_n in (140.0, 60.0):
        sample_id = ledger.append(invented.begun(order), person=order.person).id
        finish(ledger, sample_id, order, peak_n=peak_n)
    text = people[ANN].get("/certifications").text
    assert f"<strong>{BO}</strong>: 1 of the last 2 passed, 3 to go" in text
    assert "To practise (1): " in text
    lesson = re.search(r'To practise .* <a href="(/lessons\?fault=[a-z-]+)">', text)
    assert lesson is not None
    assert f'href="/samples/{sample_id}"' in people[ANN].get(lesson[1]).text


def test_the_end_of_the_judging_leads_on(people: dict[str, Visitor]) -> None:
    assert "None waits" in people[ANN].get("/certifications/judging").text
    labelled(people)
    page = people[ANN].get("/certifications/judging").text
    assert "10 wait" in page
    assert "None waits" not in page


def test_an_apprentice_signs_nothing(people: dict[str, Visitor], ledger: Ledger) -> None:
    job_id = begun(people[ANN])
    page = f"/certifications/{job_id}"
    for action in ("sign", "resit", "end"):
        assert people[BO].post(f"{page}/{action}").status_code == 403
    form = {"candidate": CY, "tool": "Hand tool 1", "plan": "short"}
    assert people[BO].post("/certifications", **form).status_code == 403
    refusals = [row for row in ledger.reader.audit() if row.event == "refused"]
    assert BO in {row.about for row in refusals}


def test_nobody_certifies_or_signs_for_themselves(
    people: dict[str, Visitor], bench: BenchAtHand, ledger: Ledger
) -> None:
    form = {"candidate": ANN, "tool": "Hand tool 1", "plan": "short"}
    assert people[ANN].post("/certifications", **form).status_code == 403
    newest = ledger.reader.audit(limit=1)[0]
    assert (newest.event, newest.about) == ("refused", ANN)
    job_id = labelled(people, ANN, DI)
    for sample in pool(ledger.reader).samples:
        path = f"/certifications/judging/{sample.code}"
        assert people[DI].post(path, **answers(people[DI], sample.code)).status_code == 303
        assert people[DI].post(f"{path}/measure", person=DI).status_code == 303
        bench.finish(170.0)
    assert people[ANN].post(f"/certifications/{job_id}/sign").status_code == 403
    assert people[DI].post(f"/certifications/{job_id}/sign").status_code == 303


def test_a_candidate_cannot_see_which_samples_are_theirs(
    people: dict[str, Visitor], bench: BenchAtHand, ledger: Ledger
) -> None:
    mine, other = labelled(people, ANN, DI), labelled(people, BO, DI)
    assert people[ANN].post(f"/certifications/{mine}/key").status_code == 403
    own = {code for code, job in pool(ledger.reader).jobs.items() if job.job_id == mine}
    refusals = set()
    for code in pool(ledger.reader).jobs:
        path = f"/certifications/judging/{code}"
        asked = answers(people[ANN], code)
        said = people[ANN].post(path, **asked)
        assert said.status_code == 403
        refusals.add(re.sub(r"\s+", " ", said.text.split("<main")[1].split("</main")[0]))
        # Under whichever name.
        for name in (ANN, DI):
            assert people[ANN].post(f"{path}/measure", person=name).status_code == 403
    assert len(refusals) == 1
    first = sorted(own)[0]
    path = f"/certifications/judging/{first}"
    people[DI].post(path, **answers(people[DI], first))
    assert people[DI].post(f"{path}/measure", person=DI).status_code == 303
    bench.grip()
    sample_id = bench.board.state.sample_id
    order = bench.board.state.order
    assert order is not None
    assert sample_id is not None
    finish(ledger, sample_id, order, peak_n=60.0)
    for address in (
        f"/certifications/{mine}", f"/certifications/{other}", f"/jobs/{mine}", "/certifications",
        "/jobs", "/certifications/judging", f"/samples/{sample_id}", "/samples", "/people",
    ):  # fmt: skip
        shown = people[ANN].get(address, follow_redirects=True).text
        named = [code for code in own if code in shown]
        if named:
            # Codes may be listed, but beside no job and no candidate.
            body = shown.split("<main")[1].split("</main")[0]
            assert not any(word in body for word in (mine, other)), address
    assert people[ANN].get(f"/jobs/{mine}/paper.html").status_code == 400


def test_a_job_of_another_kind_is_not_found_under_this_address(
    people: dict[str, Visitor],
) -> None:
    answer = people[ANN].get(f"/validations/{begun(people[ANN])}")
    assert answer.status_code == 404
    assert "is a certification, not a tool validation" in answer.text


def test_who_saw_the_key_judges_nothing(people: dict[str, Visitor], ledger: Ledger) -> None:
    job_id = begun(people[ANN])
    people[DI].post(f"/certifications/{job_id}/key")
    code = pool(ledger.reader).samples[0].code
    path = f"/certifications/judging/{code}"
    assert people[DI].post(path, **answers(people[DI], code)).status_code == 403
    assert people[ANN].post(path, **answers(people[ANN], code)).status_code == 303


def test_signed_out_visitors_change_nothing(
    people: dict[str, Visitor], visitor: Visitor, ledger: Ledger
) -> None:
    job_id = labelled(people)
    before = ledger.reader.counts().entries
    code = pool(ledger.reader).samples[0].code
    for action in ("key", "sign", "acknowledge", "resit", "end"):
        assert visitor.post(f"/certifications/{job_id}/{action}").status_code == 401
    assert visitor.post(f"/certifications/judging/{code}").status_code == 401
    assert visitor.post("/certifications", candidate=BO).status_code == 401
    assert ledger.reader.counts().entries == before


@pytest.mark.parametrize(
    "wrong",
    [{"tool": "none"}, {"plan": "daily-check"}, {"limit_set": "none"}, {"nest-red": "purple"},
     {"candidate": ""}],
)  # fmt: skip
def test_wrong_forms_come_back(
    wrong: dict[str, str], people: dict[str, Visitor], ledger: Ledger
) -> None:
    form = {"candidate": BO, "tool": "Hand tool 1", "plan": "short"} | wrong
    assert people[ANN].post("/certifications", **form).status_code == 400
    assert not list(ledger.reader.entries("job_begun"))


def test_every_line_of_the_checklist_is_answered(
    people: dict[str, Visitor], ledger: Ledger
) -> None:
    labelled(people)
    code = pool(ledger.reader).samples[0].code
    answer = people[ANN].post(f"/certifications/judging/{code}")
    assert answer.status_code == 400
    assert people[ANN].get("/certifications/judging/NOCODE").status_code == 404
    assert people[ANN].get("/certifications/lookup?hash=short").status_code == 400


def test_a_held_nest_is_refused(people: dict[str, Visitor], ledger: Ledger) -> None:
    held = NestHeld(tool="Hand tool 1", nest="blue", reason="cracked", demo=True)
    ledger.append(held, person=BO)
    form = {"candidate": BO, "tool": "Hand tool 1", "plan": "short"}
    answer = people[ANN].post("/certifications", **form)
    assert answer.status_code == 409
    assert "is held since" in answer.text
    assert not list(ledger.reader.entries("job_begun"))


@pytest.mark.parametrize(("days", "shown"), [(300, False), (340, True), (400, True)])
def test_today_reminds_of_a_certificate_that_ends(
    days: int, shown: bool, people: dict[str, Visitor], bench: BenchAtHand, ledger: Ledger
) -> None:
    begun = JobBegun(
        job="certification", plan_id="short", scope={"candidate": BO}, demo=True,
        plan={"title": "Short invented certification", "remind_days": 30},
    )  # fmt: skip
    job_id = ledger.append(begun, person=ANN).id
    ended = JobEnded(
        job_id=job_id, outcome="certified", reasons=(), record_hash="ab" * 32, demo=True,
        valid_until=NOW.date() + timedelta(days=365),
    )  # fmt: skip
    ledger.append(ended, person=ANN)
    later = create_app(bench, testing=True, clock=lambda: NOW + timedelta(days=days))
    page = Visitor(later).get("/").text
    assert (f"certificate of {BO} ends or has ended" in page) is shown


def test_who_may_not_judge_voids_no_coded_sample_either(
    people: dict[str, Visitor], ledger: Ledger
) -> None:
    labelled(people)
    sample = pool(ledger.reader).samples[0]
    begun_sample = SampleBegun(
        job="certification", joint=sample.joint, limit_set=sample.limit_set or "", step=sample.code
    )
    row = ledger.append(begun_sample, person=ANN)
    path = f"/unfinished/{row.id}/void"
    # The candidate, who saw the key, and either of them under another's name.
    for visitor, person in ((BO, BO), (CY, CY), (BO, ANN), (CY, ANN), (ANN, BO)):
        answer = people[visitor].post(path, person=person, reason="it slipped")
        assert answer.status_code == 403, (visitor, person)
    assert row.id in {one.sample_id for one in ledger.reader.unfinished()}
    assert people[ANN].post(path, person=ANN, reason="it slipped").status_code == 303
    assert row.id not in {one.sample_id for one in ledger.reader.unfinished()}
