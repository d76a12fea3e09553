"""Certifications on record: begun, re-sat, signed and ended."""

import secrets
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import date, datetime, timedelta

from calibration.saying import say
from station.crimp.limits import LimitSets
from station.crimp.wire import weakest_wire
from station.errors import BadInput, NotAllowed
from station.jobs.certification.blind import pool
from station.jobs.certification.codes import ALPHABET, CODE_LENGTH, slots_for
from station.jobs.certification.plan import CertificationPlan
from station.jobs.certification.record import (
    JOB,
    MAX_JOBS,
    Certification,
    CertificationScope,
    certifications,
    figures_of,
)
from station.jobs.certification.sealed import opened, seal
from station.jobs.certification.statement import valid_until
from station.jobs.record import demand_open, job_begun, record_hash_of
from station.jobs.step import Step
from station.ledger.entries import (
    CodesDrawn,
    JobEnded,
    OutcomeSeen,
    OutcomeSigned,
)
from station.ledger.jobs import job_record, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.nests import demand_free, known_tool
from station.shop.rights import Right, demand
from station.shop.sign_in import active_person
from station.text import likeness


def random_codes(n: int) -> list[str]:
    """Different codes, drawn anew each time."""
    found: set[str] = set()
    while len(found) < n:
        found.add("".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH)))
    return secrets.SystemRandom().sample(sorted(found), n)


def begin(
    ledger: Ledger,
    plan: CertificationPlan,
    scope: CertificationScope,
    limit_sets: LimitSets,
    signer: PersonRow,
    *,
    now: datetime,
    draw: Callable[[int], list[str]] = random_codes,
) -> str:
    """Begin a certification and draw its codes; return the job's id.

    Parameters
    ----------
    signer
        A lead, not the candidate, known to be who they say.
    draw
        Makes so many different codes.

    Raises
    ------
    NotAllowed
        The signer is no lead or the candidate, or the candidate is not on record.
    BadInput, NoLimit
        The tool or a nest is not on record, a limit is missing, the candidate has an open
        certification, or the last one was not passed too short a time ago.
    NestOnHold
        A nest of the tool is held.
    """
    reader = ledger.reader
    demand(signer, Right.CERTIFY, about=active_person(reader, scope.candidate).name)
    _check_tool(reader, plan, scope)
    for task in plan.tasks:
        limit_sets.judging(weakest_wire(task.wires), scope.limit_set, in_full=True)
    begun = job_begun(JOB, plan, asdict(scope), demo=reader.is_demo())
    # Looked up while nobody else can begin one for the same candidate.
    with ledger.transaction():
        _check_attempt(reader, plan, scope.candidate, now)
        job_id = ledger.append(begun, person=signer.name).id
        tasks = [task.id for task in plan.tasks]
        step = _codes_step(ledger, plan, job_id, tasks, 1, draw)
        ledger.append(step, person=signer.name)
    return job_id


def _check_tool(reader: LedgerReader, plan: CertificationPlan, scope: CertificationScope) -> None:
    known = known_tool(reader, scope.tool)
    for band in {task.band for task in plan.tasks}:
        nest = scope.nests.get(band)
        if nest not in known.nests:
            raise BadInput(
                "Say which nest of {tool} serves {band}: {nest!r} is none of {nests}.",
                tool=scope.tool,
                band=band,
                nest=nest,
                nests=", ".join(known.nests),
            )
        demand_free(reader, scope.tool, nest, JOB)


def _check_attempt(
    reader: LedgerReader, plan: CertificationPlan, candidate: str, now: datetime
) -> None:
    for row in jobs(reader, job=JOB, limit=MAX_JOBS):
        record = job_record(reader, row.job_id)
        if likeness(str(record.begun.scope["candidate"])) != likeness(candidate):
            continue
        if record.ended is None or record.ended_at_utc is None:
            raise BadInput(
                "{candidate} has an open certification ({job_id}): end it first.",
                candidate=candidate,
                job_id=row.job_id,
            )
        earliest = record.ended_at_utc + timedelta(days=plan.new_attempt_after_days)
        if record.ended.outcome != "certified" and now < earliest:
            raise BadInput(
                "{candidate} was not certified in the last one: practise, and begin "
                "another from {earliest:%Y-%m-%d} on.",
                candidate=candidate,
                earliest=earliest.astimezone(),
            )
        return


def _codes_step(
    ledger: Ledger,
    plan: CertificationPlan,
    job_id: str,
    tasks: Sequence[str],
    sitting: int,
    draw: Callable[[int], list[str]],
) -> CodesDrawn:
    slots = slots_for(plan, tasks, sitting)
    reader = ledger.reader
    used = {code for job in certifications(reader, only_open=False) for code in job.key}
    codes = draw(len(slots))
    while used & set(codes):
        codes = draw(len(slots))
    return CodesDrawn(
        demo=reader.is_demo(),
        job_id=job_id,
        sitting=sitting,
        codes={},
        commitment=seal(ledger.path, dict(zip(codes, slots, strict=True))),
    )


def next_steps(reader: LedgerReader, job: Certification, now: datetime) -> list[Step]:
    """What comes next; nothing once it has ended."""
    return [next_step(job, len(pool(reader).samples), now)] if job.open else []


def next_step(job: Certification, waiting: int, now: datetime) -> Step:
    """What comes next, where so many codes wait to be judged in the whole pool."""
    if job.lost:
        words = say(
            "The key of its codes is not beside this ledger, as it is not in a backup: a lead "
            "gives the certification up."
        )
        return Step("lost", words, blocked=True)
    if not job.labelled:
        words = say(
            "The candidate makes the samples task by task; somebody who will not judge "
            "signs in, has the key shown and labels them with their codes."
        )
        return Step("key", words)
    if job.waiting:
        words = say(
            "Judge and measure the coded samples: {waiting} wait on this bench, of everybody.",
            waiting=waiting,
        )
        return Step("judge", words)
    if job.result.outcome == "re_sit":
        return _resit_step(job, now)
    if job.signed.by is None:
        return Step("sign", say("Everything is judged: a lead, not the candidate, signs."))
    if job.result.outcome == "certified" and not job.signed.acknowledged:
        return Step("acknowledge", say("The candidate has seen the outcome and says so."))
    return Step("end", say("Signed: end the certification."))


def _resit_step(job: Certification, now: datetime) -> Step:
    titles = "; ".join(job.plan.task(task).title for task in job.result.may_resit)
    earliest = job.earliest_resit
    if earliest is not None and now < earliest:
        words = say(
            "Practise; from {earliest:%Y-%m-%d %H:%M} on, once: {titles}.",
            earliest=earliest.astimezone(),
            titles=titles,
        )
        return Step("resit", words, blocked=True)
    return Step("resit", say("A lead begins the one re-sit: {titles}.", titles=titles))


def begin_resit(
    ledger: Ledger,
    job: Certification,
    signer: PersonRow,
    *,
    now: datetime,
    draw: Callable[[int], list[str]] = random_codes,
) -> None:
    """Begin the one re-sit with codes of its own.

    Raises
    ------
    NotAllowed
        The signer is no lead or the candidate.
    BadInput
        There is nothing to re-sit, or it is too early.
    """
    demand(signer, Right.CERTIFY, about=job.scope.candidate)
    demand_open(job.record)
    if job.lost or job.waiting or job.result.outcome != "re_sit":
        raise BadInput("There is nothing to re-sit now: look at how the certification stands.")
    earliest = job.earliest_resit
    if earliest is not None and now < earliest:
        raise BadInput(
            "The re-sit may begin from {earliest:%Y-%m-%d %H:%M} on.",
            earliest=earliest.astimezone(),
        )
    with ledger.transaction():
        step = _codes_step(ledger, job.plan, job.job_id, job.result.may_resit, 2, draw)
        ledger.append(step, person=signer.name)


def sign(ledger: Ledger, job: Certification, signer: PersonRow) -> None:
    """Sign the outcome (NotAllowed for the candidate and who is no lead; BadInput if not ready)."""
    demand(signer, Right.CERTIFY, about=job.scope.candidate)
    _demand_decided(job)
    signed = OutcomeSigned(demo=job.record.row.demo, job_id=job.job_id, outcome=job.result.outcome)
    with ledger.transaction():
        for step in (*opened(ledger.path, job.record), signed):
            ledger.append(step, person=signer.name)


def acknowledge(ledger: Ledger, job: Certification, person: PersonRow) -> None:
    """The candidate has seen the outcome (NotAllowed for anybody else). No judgement."""
    if likeness(person.name) != likeness(job.scope.candidate):
        raise NotAllowed(
            "Only {candidate} can say that they have seen the outcome.",
            candidate=job.scope.candidate,
        )
    _demand_decided(job)
    if job.signed.by is None:
        raise BadInput("A lead signs the outcome first.")
    seen = OutcomeSeen(demo=job.record.row.demo, job_id=job.job_id)
    ledger.append(seen, person=person.name)


def end(ledger: Ledger, job: Certification, *, person: str, today: date) -> JobEnded:
    """End a signed certification; a certificate holds from today on.

    Raises
    ------
    BadInput
        It has ended, is not decided, or a signature is missing.
    """
    _demand_decided(job)
    signed = job.signed
    if signed.by is None or (job.result.outcome == "certified" and not signed.acknowledged):
        raise BadInput("A signature is missing: a lead signs, then the candidate has seen it.")
    certified = job.result.outcome == "certified"
    until = valid_until(today, job.plan.valid_months) if certified else None
    by = (signed.by, *([job.scope.candidate] if signed.acknowledged else []))
    return _end(ledger, job, person, job.result.outcome, job.result.reasons, by, until)


def give_up(ledger: Ledger, job: Certification, signer: PersonRow, reason: str) -> JobEnded:
    """End a certification undecided. It counts as an attempt that was not passed."""
    demand(signer, Right.CERTIFY, about=job.scope.candidate)
    demand_open(job.record)
    if not reason.strip():
        raise BadInput("Say why the certification is given up.")
    with ledger.transaction():
        for step in opened(ledger.path, job.record):
            ledger.append(step, person=signer.name)
        return _end(ledger, job, signer.name, "given_up", (reason.strip(),), (signer.name,))


def _end(
    ledger: Ledger,
    job: Certification,
    person: str,
    outcome: str,
    reasons: tuple[str, ...],
    signatures: tuple[str, ...],
    until: date | None = None,
) -> JobEnded:
    ended = JobEnded(
        demo=job.record.row.demo,
        job_id=job.job_id,
        outcome=outcome,
        reasons=reasons,
        figures=figures_of(job),
        valid_until=until,
        scope=job.record.begun.scope,
        signatures=signatures,
        record_hash=record_hash_of(ledger.reader, job.record, job.rows),
    )
    ledger.append(ended, person=person)
    return ended


def _demand_decided(job: Certification) -> None:
    demand_open(job.record)
    if job.lost or job.waiting or job.result.outcome not in ("certified", "not_certified"):
        raise BadInput("The certification is not decided yet: look at what comes next.")
