"""Jobs, held nests and logged work: what their entries do, and what is refused."""

from collections.abc import Callable
from datetime import date

import pytest
from pydantic import JsonValue

from station.errors import BadInput
from station.ledger import jobs
from station.ledger.entries import (
    NEST_OUTCOME,
    CodeFor,
    CodesDrawn,
    Correction,
    JobBegun,
    JobEnded,
    JobStep,
    KeyShown,
    NestHeld,
    NestReleased,
    OutcomeSeen,
    OutcomeSigned,
    SampleBegun,
    SampleFinished,
    SampleLookedAt,
    WorkDone,
)
from station.ledger.store import Ledger

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Begun = Callable[..., SampleBegun]
Finished = Callable[..., SampleFinished]

PLAN = {"id": "invented", "samples": 3, "share": 0.5, "words": ["a", "b"]}
BEGUN = JobBegun(job="daily_check", plan_id="invented", plan=PLAN, scope={"nests": []})


def begin(ledger: Ledger) -> str:
    return ledger.append(BEGUN, person="Bo").id


def test_a_job_gathers_its_steps_and_samples(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    job_id = begin(ledger)
    other = begin(ledger)
    sample = ledger.append(begun(job_id=job_id, step="first"), person="Bo")
    ledger.append(finished(sample.id, job_id=job_id, step="first"), person="Bo")
    ledger.append(begun(job_id=other), person="Bo")
    ledger.append(JobStep(job_id=job_id, step="look", content={"good": True}), person="Ana")
    record = jobs.job_record(ledger.reader, job_id)
    assert record.begun == BEGUN
    assert [(taken.person, taken.step.step) for taken in record.steps] == [("Ana", "look")]
    assert [(row.sample_id, row.step, row.verdict) for row in record.samples] == [
        (sample.id, "first", "pass")
    ]
    assert record.ended is None
    end = JobEnded(job_id=job_id, outcome="released", reasons=("all held",), figures={"n": 1})
    ledger.append(end, person="Ana")
    record = jobs.job_record(ledger.reader, job_id)
    assert record.ended == end
    assert (record.ended_by, record.row.outcome) == ("Ana", "released")
    assert [row.job_id for row in jobs.jobs(ledger.reader, only_open=True)] == [other]
    assert [row.job_id for row in jobs.jobs(ledger.reader)] == [other, job_id]


def test_a_job_is_found_by_the_start_of_its_id(ledger: Ledger) -> None:
    job_id = begin(ledger)
    assert jobs.job_record(ledger.reader, job_id[:18]).row.job_id == job_id
    begin(ledger)
    with pytest.raises(BadInput, match="More than one job"):
        jobs.job_record(ledger.reader, job_id[:4])
    for unknown in ("", "%", "nothing"):
        with pytest.raises(BadInput, match="not on record"):
            jobs.job_record(ledger.reader, unknown)


def test_nothing_is_added_to_a_job_that_has_ended_or_never_was(
    ledger: Ledger, begun: Begun
) -> None:
    job_id = begin(ledger)
    ledger.append(JobEnded(job_id=job_id, outcome="released", reasons=()), person="Bo")
    count = ledger.reader.counts().entries
    for payload in (
        JobStep(job_id=job_id, step="late"),
        JobEnded(job_id=job_id, outcome="held", reasons=()),
        begun(job_id=job_id),
    ):
        with pytest.raises(BadInput, match="has ended"):
            ledger.append(payload, person="Bo")
    with pytest.raises(BadInput, match="not on record"):
        ledger.append(JobStep(job_id="none", step="early"), person="Bo")
    assert ledger.reader.counts().entries == count


def test_a_job_does_not_end_with_a_sample_in_hand(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    job_id = begin(ledger)
    end = JobEnded(job_id=job_id, outcome="released", reasons=())
    sample = ledger.append(begun(job_id=job_id), person="Bo")
    with pytest.raises(BadInput, match="in hand"):
        ledger.append(end, person="Bo")
    ledger.append(finished(sample.id, job_id=job_id), person="Bo")
    ledger.append(end, person="Bo")


def test_a_nest_is_found_once_in_a_check(ledger: Ledger) -> None:
    job_id = begin(ledger)
    content = {"tool": "T1", "nest": "A", "outcome": "watch", "needs": ""}
    ledger.append(JobStep(job_id=job_id, step=NEST_OUTCOME, content=dict(content)), person="Bo")
    again = JobStep(job_id=job_id, step=NEST_OUTCOME, content=content | {"outcome": "released"})
    with pytest.raises(BadInput, match="found once"):
        ledger.append(again, person="Bo")
    (row,) = jobs.nest_checks(ledger.reader, "T1", "A")
    assert (row.outcome, row.job_id, row.person) == ("watch", job_id, "Bo")
    assert jobs.nest_checks(ledger.reader, "T1", "B", limit=1) == []


def test_a_nest_is_held_until_it_is_released(ledger: Ledger) -> None:
    ledger.append(NestHeld(tool="T1", nest="A", reason="fell apart"), person="Bo")
    ledger.append(NestHeld(tool="T1", nest="B", reason="worn", needs="lead"), person="Bo")
    reader = ledger.reader
    assert [(row.nest, row.needs) for row in jobs.holds(reader)] == [
        ("A", "service"),
        ("B", "lead"),
    ]
    ledger.append(NestReleased(tool="T1", nest="A", reason="new die"), person="Ana")
    assert [row.nest for row in jobs.holds(reader)] == ["B"]
    assert [row.released_seq for row in jobs.holds(reader, nest="A", only_open=False)] == [3]
    with pytest.raises(BadInput, match="not held"):
        ledger.append(NestReleased(tool="T1", nest="A", reason="again"), person="Ana")


def test_the_work_log_is_read_by_nest_and_day(ledger: Ledger) -> None:
    for day, nest in ((3, "A"), (1, "A"), (2, "B"), (2, "A")):
        done = WorkDone(day=date(2031, 3, day), work_order=f"W{day}", tool="T1", nest=nest)
        ledger.append(done, person="Bo")
    found = jobs.work(ledger.reader, tool="T1", nest="A", since=date(2031, 3, 2))
    assert [row.work_order for row in found] == ["W2", "W3"]
    assert [row.work_order for row in jobs.work(ledger.reader, limit=1)] == ["W3"]


def test_a_void_sample_keeps_what_was_measured(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    samples = [ledger.append(begun(), person="Bo") for _ in range(2)]
    void = {"verdict": "void", "void_reason": "given up", "void_by": "person"}
    ledger.append(finished(samples[0].id, **void), person="Bo")
    ledger.append(finished(samples[1].id), person="Bo")
    correction = Correction(corrects_id=samples[1].id, reason="was mine", void_sample=True)
    ledger.append(correction, person="Bo")
    for sample in samples:
        row = ledger.reader.sample(sample.id)
        assert row is not None
        assert (row.verdict, row.void_by, row.measured_verdict) == ("void", "person", "pass")


def test_the_tables_of_jobs_are_rebuilt_alike(
    ledger: Ledger, begun: Begun, finished: Finished
) -> None:
    job_id = begin(ledger)
    sample = ledger.append(begun(job_id=job_id), person="Bo")
    ledger.append(finished(sample.id, job_id=job_id), person="Bo")
    ledger.append(JobStep(job_id=job_id, step="look"), person="Bo")
    ledger.append(JobEnded(job_id=job_id, outcome="held", reasons=("weak",)), person="Bo")
    ledger.append(NestHeld(tool="T1", nest="A", reason="weak", job_id=job_id), person="Bo")
    reader = ledger.reader
    before = (jobs.job_record(reader, job_id), jobs.holds(reader))
    ledger.rebuild()
    assert (jobs.job_record(reader, job_id), jobs.holds(reader)) == before


CODES: dict[str, JsonValue] = {
    "A1": {"task": "splice", "part": "spare", "sitting": 1, "position": 0}
}


def test_steps_of_a_kind_of_their_own_are_read_from_before_they_had_one(ledger: Ledger) -> None:
    job_id = begin(ledger)
    looked: dict[str, JsonValue] = {"code": "A1", "checklist": {"centred": True}, "critical": []}
    for step, content in (("codes", {"sitting": 1, "codes": CODES}), ("judged", looked)):
        old = JobStep(job_id=job_id, step=step, content=content, demo=True)
        ledger.append(old, person="Ana")
    shown = KeyShown(job_id=job_id, to="Bo")
    ledger.append(shown, person="Bo")
    signed = ledger.append(OutcomeSigned(job_id=job_id, outcome="certified"), person="Ana")
    record = jobs.job_record(ledger.reader, job_id)
    (drawn,) = record.steps_of(CodesDrawn)
    assert drawn == CodesDrawn(
        demo=True, job_id=job_id, sitting=1,
        codes={"A1": CodeFor(task="splice", part="spare", sitting=1, position=0)},
    )  # fmt: skip
    assert [looked_at.checklist for looked_at in record.steps_of(SampleLookedAt)] == [
        {"centred": True}
    ]
    assert record.steps_of(KeyShown) == [shown]
    assert [taken.seq for taken in record.steps_named("signed")] == [signed.seq]
    assert [taken.step.content for taken in record.steps_named("key_shown")] == [{"to": "Bo"}]
    assert record.steps_of(OutcomeSeen) == []
    assert [taken.step.content for taken in record.steps_named("judged")] == [looked]
    ledger.rebuild()
    assert jobs.job_record(ledger.reader, job_id) == record


def test_a_step_of_its_own_kind_belongs_to_an_open_job(ledger: Ledger) -> None:
    with pytest.raises(BadInput, match="not on record"):
        ledger.append(OutcomeSeen(job_id="none"), person="Bo")
    job_id = begin(ledger)
    ledger.append(JobEnded(job_id=job_id, outcome="given_up", reasons=()), person="Bo")
    with pytest.raises(BadInput, match="has ended"):
        ledger.append(OutcomeSeen(job_id=job_id), person="Bo")
