import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from station.crimp.facts import shipped_book, shipped_causes
from station.errors import BadInput, NestOnHold, NotAllowed
from station.files import DATA, read_toml
from station.jobs.certification.acts import acknowledge, begin_resit, give_up, sign
from station.jobs.certification.acts import begin as begin_certification
from station.jobs.certification.acts import end as end_certification
from station.jobs.certification.acts import next_steps as next_of
from station.jobs.certification.blind import judge, pool, show_key
from station.jobs.certification.blind import order as order_for
from station.jobs.certification.plan import CertificationPlan
from station.jobs.certification.record import Certification, CertificationScope
from station.jobs.certification.record import read as read_certification
from station.ledger.chain import Moment
from station.ledger.entries import NestHeld, SampleBegun
from station.ledger.store import Ledger
from station.shop.hints import hints_by_sample
from station.simulation.demo import demo_limit_sets
from tests.doors import Person
from tests.station.jobs.recorded import Clock, people_and_tools, take

PLAN = read_toml(DATA / "plans" / "certification.toml", CertificationPlan)
SHORT = PLAN.model_copy(update={"tasks": PLAN.tasks[:2], "samples_per_task": 15})
BOOK = shipped_book()
LEA, IDA = Person("Lea", "lead"), Person("Ida", "lead")
BEN, DAG = Person("Ben", "installer"), Person("Dag", "apprentice")
NESTS = {"red": "red", "blue": "blue", "yellow": "yellow"}
SCOPE = CertificationScope("Dag", "Egret", NESTS, "tern-lane-shop", 1.645)
START = datetime(2026, 3, 2, 8, tzinfo=UTC)


@pytest.fixture
def clock() -> Clock:
    return Clock(START)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.ledger"


@pytest.fixture
def ledger(path: Path, clock: Callable[[], Moment]) -> Iterator[Ledger]:
    with Ledger.open(path, clock=clock) as opened:
        people_and_tools(opened)
        yield opened


def begin(
    ledger: Ledger, clock: Clock, candidate: str = "Dag", plan: CertificationPlan = PLAN
) -> str:
    scope = replace(SCOPE, candidate=candidate)
    signer = IDA if candidate == "Lea" else LEA
    return begin_certification(ledger, plan, scope, demo_limit_sets(), signer, now=clock.at)


def look(ledger: Ledger, job_id: str) -> Certification:
    return read_certification(ledger.reader, job_id)


def step(ledger: Ledger, job_id: str, clock: Clock) -> str:
    return next_of(ledger.reader, look(ledger, job_id), clock.at)[0].name


def judge_one(ledger: Ledger, code: str, faults: tuple[str, ...] = ()) -> None:
    judge(ledger, code, faults, BOOK, LEA)
    order = order_for(ledger.reader, code, person="Ida")
    take(ledger, order, 140.0 + random.Random(code).gauss(0.0, 4.0))


def judge_all(ledger: Ledger, fault_in: str | None = None) -> None:
    """Judge the pool to its end; the first counted sample of one task has a critical fault."""
    while (waiting := pool(ledger.reader)).samples:
        for code, job in waiting.jobs.items():
            slot = job.key[code]
            bad = (slot.task, slot.part, slot.position) == (fault_in, "candidate", 0)
            judge_one(ledger, code, ("no-stray-strand",) if bad else ())


def test_from_start_to_certificate(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    assert step(ledger, job_id, clock) == "key"
    assert len(show_key(ledger, look(ledger, job_id), BEN)) == 78
    assert step(ledger, job_id, clock) == "judge"
    judge_all(ledger)
    assert step(ledger, job_id, clock) == "sign"
    sign(ledger, look(ledger, job_id), LEA)
    assert step(ledger, job_id, clock) == "acknowledge"
    with pytest.raises(BadInput, match="signature is missing"):
        end_certification(ledger, look(ledger, job_id), person="Lea", today=date(2026, 3, 2))
    acknowledge(ledger, look(ledger, job_id), DAG)
    assert step(ledger, job_id, clock) == "end"
    job = look(ledger, job_id)
    ended = end_certification(ledger, job, person="Lea", today=date(2026, 3, 2))
    assert ended.outcome == "certified"
    assert ended.valid_until == date(2027, 3, 2)
    assert ended.signatures == ("Lea", "Dag")
    assert len(ended.record_hash or "") == 64
    assert ended.figures["n"] == 60
    assert next_of(ledger.reader, look(ledger, job_id), clock.at) == []
    job = look(ledger, job_id)
    assert hints_by_sample(ledger.reader, job.rows, shipped_causes()).keys() == {
        sample.sample_id for sample in job.samples
    }


def test_goes_on_after_every_step_from_the_file_alone(path: Path, clock: Clock) -> None:
    with Ledger.open(path, clock=clock) as ledger:
        people_and_tools(ledger)
        job_id = begin(ledger, clock, plan=SHORT)
    seen = []
    for _ in range(200):
        clock.move(minutes=10)
        with Ledger.open(path, clock=clock) as ledger:
            steps = next_of(ledger.reader, look(ledger, job_id), clock.at)
            if not steps:
                break
            seen.append(steps[0].name)
            if steps[0].name == "key":
                show_key(ledger, look(ledger, job_id), BEN)
            elif steps[0].name == "judge":
                first = pool(ledger.reader).samples[0]
                if first.judged is None:
                    judge(ledger, first.code, (), BOOK, IDA)  # stopped between look and measurement
                else:
                    take(ledger, order_for(ledger.reader, first.code, person="Lea"), 140.0)
            elif steps[0].name == "sign":
                sign(ledger, look(ledger, job_id), IDA)
            elif steps[0].name == "acknowledge":
                acknowledge(ledger, look(ledger, job_id), DAG)
            else:
                end_certification(
                    ledger, look(ledger, job_id), person="Ida", today=date(2026, 3, 3)
                )
    assert seen == ["key", *["judge"] * 64, "sign", "acknowledge", "end"]


def test_resit_waits_a_day_and_keeps_the_failure(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    judge_all(ledger, fault_in="tap")
    first = next_of(ledger.reader, look(ledger, job_id), clock.at)[0]
    assert (first.name, first.blocked) == ("resit", True)
    with pytest.raises(BadInput, match="may begin from"):
        begin_resit(ledger, look(ledger, job_id), LEA, now=clock.at)
    clock.move(days=1, minutes=1)
    with pytest.raises(NotAllowed, match="a lead must"):
        begin_resit(ledger, look(ledger, job_id), BEN, now=clock.at)
    begin_resit(ledger, look(ledger, job_id), LEA, now=clock.at)
    assert step(ledger, job_id, clock) == "key"
    assert len(show_key(ledger, look(ledger, job_id), BEN)) == 13
    judge_all(ledger)
    result = look(ledger, job_id).result
    assert (result.outcome, result.n, result.conforming) == ("certified", 70, 69)


def test_nobody_signs_their_own_and_no_apprentice_signs(ledger: Ledger, clock: Clock) -> None:
    scope = replace(SCOPE, candidate="Lea")
    with pytest.raises(NotAllowed, match="for themselves"):
        begin_certification(ledger, PLAN, scope, demo_limit_sets(), LEA, now=clock.at)
    job_id = begin(ledger, clock, "Lea", SHORT)
    show_key(ledger, look(ledger, job_id), BEN)
    while waiting := pool(ledger.reader).samples:
        judge(ledger, waiting[0].code, (), BOOK, IDA)
        take(ledger, order_for(ledger.reader, waiting[0].code, person="Ida"), 140.0)
    job = look(ledger, job_id)
    for person, words in ((LEA, "for themselves"), (DAG, "a lead must"), (BEN, "a lead must")):
        with pytest.raises(NotAllowed, match=words):
            sign(ledger, job, person)
    sign(ledger, job, IDA)
    with pytest.raises(NotAllowed, match="Only Lea"):
        acknowledge(ledger, look(ledger, job_id), IDA)


def test_candidate_and_labeller_may_not_judge_anything(ledger: Ledger, clock: Clock) -> None:
    """Refused for every code alike, those of other people too: else the refusal would tell."""
    mine, other = begin(ledger, clock, "Lea", SHORT), begin(ledger, clock, "Dag", SHORT)
    for job_id in (mine, other):
        show_key(ledger, look(ledger, job_id), BEN)
    codes = [sample.code for sample in pool(ledger.reader).samples]
    assert len(codes) == 64
    refusals = set()
    for code in codes:
        with pytest.raises(NotAllowed) as refused:
            judge(ledger, code, (), BOOK, LEA)
        refusals.add(str(refused.value))
        with pytest.raises(NotAllowed):
            order_for(ledger.reader, code, person="Lea")
    assert len(refusals) == 1
    with pytest.raises(NotAllowed, match="has seen which code is whose"):
        order_for(ledger.reader, codes[0], person="Ben")
    for person in (LEA, DAG):
        with pytest.raises(NotAllowed, match="may not see which code"):
            show_key(ledger, look(ledger, other), person)


def test_nothing_said_of_a_job_tells_which_codes_are_its_own(ledger: Ledger, clock: Clock) -> None:
    mine, other = begin(ledger, clock, "Lea", SHORT), begin(ledger, clock, "Dag", SHORT)
    for job_id in (mine, other):
        show_key(ledger, look(ledger, job_id), BEN)
    while len(waiting := pool(ledger.reader).samples) > 52:
        before = next_of(ledger.reader, look(ledger, mine), clock.at)
        assert before == next_of(ledger.reader, look(ledger, other), clock.at)
        judge(ledger, waiting[0].code, (), BOOK, IDA)
        take(ledger, order_for(ledger.reader, waiting[0].code, person="Ida"), 140.0)
    rows = ledger.reader.samples(limit=100)
    assert {row.job_id for row in rows} == {None}
    assert {row.person for row in rows} == {"Ida"}
    assert all(mine not in str(row) and other not in str(row) for row in rows)


def test_a_void_calls_a_spare_that_is_judged_anew(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    job = look(ledger, job_id)
    code = next(code for code, slot in job.key.items() if slot.part == "candidate")
    spare = next(
        spare
        for spare, slot in job.key.items()
        if slot.part == "spare" and slot.task == job.key[code].task and slot.position == 0
    )
    assert spare not in {one.code for one in pool(ledger.reader).samples}
    judge(ledger, code, (), BOOK, LEA)
    order = order_for(ledger.reader, code, person="Ida")
    take(ledger, order, 140.0, verdict="void", void_reason="slipped", void_by="instrument")
    waiting = {one.code for one in pool(ledger.reader).samples}
    assert spare in waiting
    assert code not in waiting
    with pytest.raises(BadInput, match="no code that waits"):
        order_for(ledger.reader, code, person="Ida")


def test_codes_are_judged_once_and_before_they_are_measured(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    code = pool(ledger.reader).samples[0].code
    with pytest.raises(BadInput, match="answers its checklist first"):
        order_for(ledger.reader, code, person="Ida")
    with pytest.raises(BadInput, match="not on the checklist"):
        judge(ledger, code, ("beauty",), BOOK, LEA)
    with pytest.raises(NotAllowed, match="a lead must"):
        judge(ledger, code, (), BOOK, Person("Cal", "installer"))
    judge(ledger, f" {code.lower()} ", (), BOOK, LEA)
    with pytest.raises(BadInput, match="judged already"):
        judge(ledger, code, (), BOOK, LEA)
    assert order_for(ledger.reader, code, person="Ida").job_id is None


def test_no_second_attempt_until_there_was_time_to_practise(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    with pytest.raises(BadInput, match="open certification"):
        begin(ledger, clock)
    with pytest.raises(BadInput, match="Say why"):
        give_up(ledger, look(ledger, job_id), LEA, " ")
    assert give_up(ledger, look(ledger, job_id), LEA, "ill").outcome == "given_up"
    clock.move(days=13)
    with pytest.raises(BadInput, match="practise"):
        begin(ledger, clock)
    clock.move(days=2)
    begin(ledger, clock)


def test_scope_is_checked(ledger: Ledger, clock: Clock) -> None:
    for changes, error in (
        ({"candidate": "Nobody"}, NotAllowed),
        ({"tool": "Nothing"}, BadInput),
        ({"nests": {"red": "red"}}, BadInput),
    ):
        scope = replace(SCOPE, **changes)
        with pytest.raises(error):
            begin_certification(ledger, PLAN, scope, demo_limit_sets(), LEA, now=clock.at)
    assert not list(ledger.reader.entries("job_begun"))


def test_a_held_nest_is_used_for_no_certification(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    codes = {one.joint.nest: one.code for one in pool(ledger.reader).samples}
    for code in codes.values():
        judge(ledger, code, (), BOOK, LEA)
    ledger.append(NestHeld(tool="Egret", nest="red", reason="cracked"), person="Ben")
    with pytest.raises(NestOnHold, match="held since"):
        order_for(ledger.reader, codes["red"], person="Ida")
    assert order_for(ledger.reader, codes["blue"], person="Ida").step == codes["blue"]
    give_up(ledger, look(ledger, job_id), LEA, "nest held")
    clock.move(days=20)
    with pytest.raises(NestOnHold, match="held since"):
        begin(ledger, clock)


def test_an_interrupted_measurement_is_offered_again_under_its_code(
    ledger: Ledger, clock: Clock
) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    code = pool(ledger.reader).samples[0].code
    judge(ledger, code, (), BOOK, LEA)
    order = order_for(ledger.reader, code, person="Ida")
    begun = SampleBegun(job=order.job, joint=order.joint, limit_set=order.limit_set, step=code)
    lost = ledger.append(begun, person="Ida").id
    assert code in {one.code for one in pool(ledger.reader).samples}
    again = order_for(ledger.reader, code, person="Lea")
    assert again.offered_again_for == lost
    take(ledger, again, 140.0)
    assert code not in {one.code for one in pool(ledger.reader).samples}
    take(ledger, replace(again, offered_again_for=None), 60.0)
    measured = [one for one in look(ledger, job_id).samples if one.step == code]
    assert [one.verdict for one in measured] == ["pass"]


def test_what_the_judge_saw_counts_however_the_sample_was_measured(
    ledger: Ledger, clock: Clock
) -> None:
    job_id = begin(ledger, clock)
    show_key(ledger, look(ledger, job_id), BEN)
    code = pool(ledger.reader).samples[0].code
    judge(ledger, code, ("no-stray-strand",), BOOK, LEA)
    order = replace(order_for(ledger.reader, code, person="Ida"), checklist={})
    take(ledger, order, 140.0)
    assert look(ledger, job_id).samples[0].checklist["no-stray-strand"] is False
