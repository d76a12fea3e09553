"""Daily checks on record: begun, read, gone on with, found and ended, and which nests are due."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from pydantic import JsonValue

from calibration.saying import say
from station.errors import BadInput
from station.jobs.daily.judge import (
    JOB,
    CheckedNest,
    Nest,
    NestHistory,
    NestProgress,
    OutcomeWord,
    progress_of,
)
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.steps import DueNest, LastCheck, due_today, outcome_of, state_of
from station.jobs.record import JobRead, demand_open, job_begun, unfinished_samples
from station.jobs.sample_order import SampleOrder
from station.jobs.step import JobState, Outcome
from station.ledger.entries import (
    NEST_OUTCOME,
    JobEnded,
    JobStep,
    Joint,
    NestHeld,
    Payload,
    ReelAdded,
)
from station.ledger.jobs import baseline_entries, holds, job_record, jobs, nest_checks
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.nests import demand_free, since_good_check
from station.shop.sign_in import active_person

RECENT_CHECKS = 500
"""Checks looked through for one that was broken off."""

Content = dict[str, JsonValue]


@dataclass(frozen=True)
class DailyCheck(JobRead):
    """One check as it stands: a function of the record.

    Attributes
    ----------
    found
        Outcomes on record, by tool and nest.
    progress
        How each nest stands that has none yet.
    """

    found: Mapping[Nest, OutcomeWord]
    progress: tuple[NestProgress, ...]


def begin(
    ledger: Ledger,
    settings: Settings,
    plan: DailyCheckPlan,
    nests: Sequence[Nest],
    *,
    person: str,
    now: datetime,
    demo: bool,
) -> str:
    """Begin a check of some nests; return the job's id.

    Raises
    ------
    BadInput
        No nest, an unknown one, or one that is being checked already; nothing was written.
    NotAllowed
        The person is not on record, or no longer works here.
    NestOnHold
        One of the nests is held.
    """
    reader = ledger.reader
    active_person(reader, person)
    settle_all(ledger)
    wanted = _known(reader, nests)
    # What is open already is looked up while nobody else can begin the same.
    with ledger.transaction():
        under_check = open_checks(reader)
        for tool, nest in wanted:
            demand_free(reader, tool, nest, JOB)
            if (tool, nest) in under_check:
                raise BadInput(
                    "Nest {nest} of {tool} is being checked in job {under_check}: go on "
                    "there, or end that one.",
                    nest=nest,
                    tool=tool,
                    under_check=under_check[tool, nest],
                )
        scope = {
            "limit_set": plan.limit_set,
            "judged_by": list(settings.limits.chosen(plan.limit_set).set_ids),
            "nests": [
                _counting(reader, settings, place, now)
                | {"steady": _long_steady(reader, plan, place)}
                for place in wanted
            ],
        }
        job_id = ledger.append(job_begun(JOB, plan, scope, demo=demo), person=person).id
    settle(ledger, job_id, person)
    return job_id


def _known(reader: LedgerReader, nests: Sequence[Nest]) -> list[Nest]:
    known = _nests(reader)
    if not nests:
        raise BadInput("Say which nests are to be checked: a tool, and a nest of it.")
    for tool, nest in nests:
        if (tool, nest) not in known:
            raise BadInput(
                "There is no nest {nest!r} of a tool {tool!r} on record.", nest=nest, tool=tool
            )
    return list(dict.fromkeys(nests))


def _nests(reader: LedgerReader) -> list[Nest]:
    return [(row.tool, nest) for row in reader.tools() for nest in row.nests]


def _counting(reader: LedgerReader, settings: Settings, nest: Nest, now: datetime) -> Content:
    """The entry after which samples count: the last finding, or before what was broken off."""
    settled = [row for row in nest_checks(reader, *nest) if row.needs != "lead"]
    since = max(settled[-1].seq if settled else 0, _serviced_seq(reader, nest))
    earlier = _broken_off(reader, nest, since) + _loose_today(reader, nest, since, now)
    counts_from = min([reader.counts().entries, *earlier])
    released = [
        row.released_seq or 0 for row in holds(reader, tool=nest[0], nest=nest[1], only_open=False)
    ]
    return {
        "tool": nest[0],
        "nest": nest[1],
        "counts_from_seq": counts_from,
        "voids_from_seq": max(counts_from, *released, 0),
        "run_length": settings.wear_watch_run_length,
    }


def _long_steady(reader: LedgerReader, plan: DailyCheckPlan, nest: Nest) -> bool:
    """Whether the plan asks fewer samples of a nest, by what is on record of it."""
    if plan.steady is None:
        return False
    checks = nest_checks(reader, *nest, limit=plan.steady.after_checks)
    if len(checks) < plan.steady.after_checks or {row.outcome for row in checks} != {"released"}:
        return False
    stretch = (
        _serviced_seq(reader, nest),
        *(entry.seq for entry in baseline_entries(reader, *nest)),
        *(row.held_seq for row in holds(reader, tool=nest[0], nest=nest[1], only_open=False)),
    )
    return max(stretch) < checks[0].seq and not reader.said(ReelAdded, checks[-1].seq)


def _serviced_seq(reader: LedgerReader, nest: Nest) -> int:
    """Entry of the last service; 0 where there was none."""
    return max((service.seq for service in reader.services(*nest)), default=0)


def _broken_off(reader: LedgerReader, nest: Nest, since: int) -> list[int]:
    """Where the samples of earlier checks of this nest count from that came to no finding."""
    later = [
        job_record(reader, row.job_id)
        for row in jobs(reader, job=JOB, limit=RECENT_CHECKS)
        if row.begun_seq > since
    ]
    return [
        max(checked.counts_from_seq, since)
        for record in later
        for checked in checked_nests(record)
        if checked.key == nest
    ]


def _loose_today(reader: LedgerReader, nest: Nest, since: int, now: datetime) -> list[int]:
    """Just before the first sample that was made today outside of a job."""
    start = now.astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
    rows = reader.nest_samples(*nest, since_seq=since, limit=RECENT_CHECKS)
    return [
        row.begun_seq - 1
        for row in rows
        if row.job == JOB and row.job_id is None and row.at_utc >= start
    ][:1]


def read(reader: LedgerReader, job_id: str) -> DailyCheck:
    """Read a check from the record (BadInput if there is none with this id)."""
    record = job_record(reader, job_id)
    demand_daily(record.row.job)
    return check_of(reader, record)


def demand_daily(job: str) -> None:
    """Refuse another kind of job (BadInput): those have ways of their own."""
    if job != JOB:
        raise BadInput("There is no job {job!r}: use one of {job_2}.", job=job, job_2=JOB)


def check_of(reader: LedgerReader, record: JobRecord) -> DailyCheck:
    """How a check stands by this record of it."""
    plan = DailyCheckPlan.model_validate(record.begun.plan)
    found = found_of(record)
    baselines = reader.baselines()
    progress = []
    for nest in checked_nests(record):
        if nest.key not in found:
            samples = reader.nest_samples(*nest.key, since_seq=0)
            history = NestHistory(samples, baselines, _serviced_seq(reader, nest.key))
            progress.append(progress_of(plan, nest, history))
    return DailyCheck(record, found, tuple(progress))


def checked_nests(record: JobRecord) -> list[CheckedNest]:
    """The nests in the scope of a check."""
    items = record.begun.scope.get("nests", [])
    scope = record.begun.scope
    one = [scope["limit_set"]] if scope.get("limit_set") else []
    judged_by = tuple(cast(list[str], scope.get("judged_by", one)))
    return [
        CheckedNest(**cast(dict[str, Any], item), judged_by=judged_by)
        for item in (items if isinstance(items, list) else [])
        if isinstance(item, dict)
    ]


def found_of(record: JobRecord) -> dict[Nest, OutcomeWord]:
    """Outcomes on record, by tool and nest."""
    return {
        (str(taken.step.content["tool"]), str(taken.step.content["nest"])): cast(
            OutcomeWord, taken.step.content["outcome"]
        )
        for taken in record.steps_named(NEST_OUTCOME)
    }


def open_checks(reader: LedgerReader) -> dict[Nest, str]:
    """Nests that are being checked and not settled yet, with their job."""
    found: dict[Nest, str] = {}
    for row in jobs(reader, job=JOB, only_open=True):
        record = job_record(reader, row.job_id)
        settled = found_of(record)
        for nest in checked_nests(record):
            if nest.key not in settled:
                found[nest.key] = row.job_id
    return found


def next_steps(check: DailyCheck) -> JobState:
    """How a check stands and what is next."""
    return state_of(check.progress, check.found)


def limit_set_of(record: JobRecord) -> str | None:
    """By which set alone the samples of a check are judged; None for the limits in force."""
    fixed = record.begun.scope.get("limit_set") or record.begun.plan.get("limit_set")
    return str(fixed) if fixed else None


def order(
    reader: LedgerReader,
    job_id: str,
    joint: Joint,
    *,
    person: str,
    limit_set: str | None = None,
) -> SampleOrder:
    """Order the next sample of a check; one that was interrupted is made again first."""
    record = job_record(reader, job_id)
    left = unfinished_samples(reader, record.row.job_id)
    return SampleOrder(
        person,
        record.row.job,
        joint,
        limit_set or limit_set_of(record),
        # What it replaces then counts as void.
        offered_again_for=left[0].sample_id if left else None,
        job_id=record.row.job_id,
    )


def stage_for(reader: LedgerReader, record: JobRecord, order: SampleOrder) -> str:
    """The stage that an ordered sample belongs to.

    Raises
    ------
    BadInput
        It is judged by another limit set, a sample of its nest is unfinished, or its nest is not
        part of the check or needs no more samples.
    """
    nest = (order.joint.tool, order.joint.nest)
    if "limit_set" in record.begun.scope and order.limit_set != limit_set_of(record):
        raise BadInput(
            "This check judges by the limit set {judged_by}, not by {limit_set}: it was "
            "fixed when the check began.",
            judged_by=limit_set_of(record) or say("in force"),
            limit_set=order.limit_set or say("in force"),
        )
    _demand_made_again(reader, nest, order.offered_again_for)
    for item in check_of(reader, record).progress:
        if item.nest.key == nest and item.finding.outcome is None:
            return item.finding.stage
    raise BadInput(
        "Job {job_id} wants no sample of {nest}, nest {nest_2}: ask the job what is next.",
        job_id=record.row.job_id,
        nest=nest[0],
        nest_2=nest[1],
    )


def _demand_made_again(reader: LedgerReader, nest: Nest, replaces: str | None) -> None:
    """Refuse a fresh sample while one of the nest is unfinished: none is quietly forgotten."""
    left = [
        row.sample_id
        for row in reader.unfinished()
        if (row.tool, row.nest) == nest and row.job == JOB
    ]
    if left and replaces not in left:
        raise BadInput(
            "Sample {left} of {nest}, nest {nest_2} was begun and never finished: measure "
            "it again or void it first.",
            left=left[0],
            nest=nest[0],
            nest_2=nest[1],
        )


def settle(ledger: Ledger, job_id: str, person: str) -> None:
    """Enter what follows from the record by itself; nothing where nothing does."""
    if not _following(ledger.reader, job_id):
        return
    with ledger.transaction():
        # Asked again: somebody else may have entered it meanwhile.
        for payload in _following(ledger.reader, job_id):
            ledger.append(payload, person=person)


def settle_all(ledger: Ledger) -> None:
    """Enter what follows in every open check: the station may have stopped before it did."""
    for row in jobs(ledger.reader, job=JOB, only_open=True):
        settle(ledger, row.job_id, row.person)


def _following(reader: LedgerReader, job_id: str) -> list[Payload]:
    """What was found of each nest that needs no more samples; the end when all are found."""
    record = job_record(reader, job_id)
    if record.row.job != JOB or record.ended is not None:
        return []
    check = check_of(reader, record)
    entries: list[Payload] = []
    words = dict(check.found)
    for item in check.progress:
        if item.finding.outcome is not None:
            entries += _found(reader, record, item)
            words[item.nest.key] = item.finding.outcome
    if len(words) == len(checked_nests(record)):
        outcome = outcome_of(words)
        entries.append(ended_with(outcome, record.row.job_id, demo=record.begun.demo))
    return entries


def _found(reader: LedgerReader, record: JobRecord, item: NestProgress) -> list[Payload]:
    finding, nest = item.finding, item.nest
    job_id, demo = record.row.job_id, record.begun.demo
    content: Content = {
        "tool": nest.tool,
        "nest": nest.nest,
        "outcome": finding.outcome,
        "needs": finding.needs if finding.outcome == "held" else "",
        "stage": finding.stage,
        "reasons": list(finding.reasons),
        "samples": [row.sample_id for row in item.counted],
        "voids": [row.sample_id for row in item.voids],
    }
    if finding.outcome != "held":
        return [JobStep(job_id=job_id, step=NEST_OUTCOME, content=content, demo=demo)]
    since = since_good_check(reader, nest.tool, nest.nest)
    content["since_last_good"] = cast(JsonValue, since.as_document())
    held = NestHeld(
        tool=nest.tool, nest=nest.nest, reason=" ".join(finding.reasons), job_id=job_id,
        needs=finding.needs, demo=demo,
    )  # fmt: skip
    return [JobStep(job_id=job_id, step=NEST_OUTCOME, content=content, demo=demo), held]


def end(ledger: Ledger, job_id: str, *, person: str) -> JobEnded:
    """End a check before its time: it is broken off, and its samples count in the next.

    Raises
    ------
    BadInput, NotAllowed
        It has ended already, or the person is not on record.
    """
    active_person(ledger.reader, person)
    record = job_record(ledger.reader, job_id)
    demand_open(record)
    demand_daily(record.row.job)
    words = found_of(record)
    left = [nest.key for nest in checked_nests(record) if nest.key not in words]
    ended = ended_with(outcome_of(words, left), record.row.job_id, demo=record.begun.demo)
    ledger.append(ended, person=person)
    return ended


def ended_with(outcome: Outcome, job_id: str, *, demo: bool) -> JobEnded:
    """The last entry of a check."""
    return JobEnded(
        job_id=job_id,
        outcome=outcome.word,
        reasons=outcome.reasons,
        figures=cast(Content, dict(outcome.figures)),
        demo=demo,
    )


def due(reader: LedgerReader, plan: DailyCheckPlan, now: datetime) -> list[DueNest]:
    """Which nests are due today and why."""
    under_check = open_checks(reader)
    held = {(row.tool, row.nest): row.reason for row in holds(reader)}
    last = [
        _last_check(reader, nest, under_check.get(nest), held.get(nest)) for nest in _nests(reader)
    ]
    return due_today(plan, last, now.astimezone().date())


def _last_check(
    reader: LedgerReader, nest: Nest, open_job: str | None, held: str | None
) -> LastCheck:
    checks = nest_checks(reader, *nest, limit=1)
    if not checks:
        return LastCheck(*nest, open_job=open_job, held=held)
    last = checks[-1]
    return LastCheck(
        *nest,
        checked_on=last.at_utc.astimezone().date(),
        outcome=last.outcome,
        serviced_since=_serviced_seq(reader, nest) > last.seq,
        open_job=open_job,
        held=held,
    )
