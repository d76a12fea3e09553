"""Jobs with their samples, held nests and logged work, read from a ledger."""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import date
from typing import Any, cast

from sqlalchemy import func, select, true

from station.errors import BadInput, NotOnRecord
from station.ledger import tables
from station.ledger.entries import (
    BaselineSet,
    CodesDrawn,
    JobBegun,
    JobEnded,
    JobStep,
    JobStepOf,
    KeyOpened,
    SampleLookedAt,
)
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.ledger.rows import (
    HoldRow,
    JobRecord,
    JobRow,
    NestCheckRow,
    SampleRow,
    StepTaken,
    ToolLookRow,
    WorkRow,
)

_job = tables.job
_hold = tables.nest_hold
_work = tables.work
_entry = tables.entry


def jobs(
    reader: LedgerReader, *, job: str | None = None, only_open: bool = False, limit: int = 100
) -> list[JobRow]:
    """Return jobs, newest first.

    Parameters
    ----------
    job
        Only jobs of this name.
    only_open
        Only jobs that have not ended.
    """
    query = tables.found(_job, job=job)
    if only_open:
        query = query.where(_job.c.ended_seq.is_(None))
    return reader.read(JobRow, query.order_by(_job.c.begun_seq.desc()).limit(limit))


def job_record(reader: LedgerReader, job_id: str) -> JobRecord:
    """Return all that is on record of one job.

    Raises
    ------
    NotOnRecord
        There is no such job.
    BadInput
        Several begin like this; the start of an id will do where it names one job only.
    """
    row = _find_job(reader, job_id)
    begun = reader.entry(row.job_id)
    if begun is None or not isinstance(begun.payload, JobBegun):
        raise NotOnRecord(
            "The job {job_id} is not on record: list the jobs, then give its id.",
            job_id=job_id,
        )
    table = tables.job_entry
    query = select(_entry).join(table, table.c.entry_id == _entry.c.id)
    query = query.where(table.c.job_id == row.job_id).order_by(table.c.seq)
    steps: list[StepTaken] = []
    end: dict[str, Any] = {}
    for entry in reader.entries_found(query):
        said = entry.payload
        if isinstance(said, JobStep | JobStepOf):
            steps.append(_step_taken(entry))
        elif isinstance(said, JobEnded):
            end = {"ended": said, "ended_at_utc": entry.at_utc, "ended_by": entry.person}
    samples = tuple(job_samples(reader, row.job_id))
    return JobRecord(row, begun.payload, tuple(steps), samples, head=reader.head(), **end)


def _step_taken(entry: Entry) -> StepTaken:
    step = cast(JobStep | JobStepOf, entry.payload)
    return StepTaken(entry.seq, entry.id, entry.at_utc, entry.person, step)


def job_samples(reader: LedgerReader, job_id: str) -> list[SampleRow]:
    """Return the samples made for a job, in the order in which they were begun."""
    query = tables.found(tables.sample, job_id=job_id).order_by(tables.sample.c.begun_seq)
    return reader.read(SampleRow, query)


def coded_samples(
    reader: LedgerReader, codes: Collection[str], *, since_seq: int
) -> list[SampleRow]:
    """Return the samples with these codes that were begun after entry ``since_seq``, in order."""
    sample = tables.sample
    query = select(sample).where(sample.c.begun_seq > since_seq, sample.c.step.in_(list(codes)))
    return reader.read(SampleRow, query.order_by(sample.c.begun_seq))


def jobs_with(reader: LedgerReader, samples: Iterable[SampleRow]) -> Counter[str]:
    """Return the jobs that samples were made for, with how many; those judged by code once opened.

    A coded sample names no job: its code says whose it is, when the key is on record.
    """
    rows = list(samples)
    found = Counter(row.job_id for row in rows if row.job_id is not None)
    coded = [row for row in rows if row.job_id is None and row.job == "certification"]
    codes: list[CodesDrawn | KeyOpened] = []
    if coded:
        codes = [*reader.said(CodesDrawn), *reader.said(KeyOpened)]
    for drawn in codes:
        job = _find_job(reader, drawn.job_id)
        within = range(job.begun_seq, job.ended_seq or 0)
        hits = sum(row.begun_seq in within and row.step in drawn.codes for row in coded)
        found += Counter({job.job_id: hits})
    return found


def looked_at(reader: LedgerReader, record: JobRecord, codes: Collection[str]) -> JobRecord:
    """Return a job's record with what was seen of these codes, which names no job."""
    ended = record.row.ended_seq
    query = select(_entry).where(
        _entry.c.kind == SampleLookedAt.KIND,
        tables.RARE_KIND,
        _entry.c.seq > record.row.begun_seq,
        true() if ended is None else _entry.c.seq < ended,
        func.json_extract(_entry.c.payload, "$.code").in_(list(codes)),
        func.json_extract(_entry.c.payload, "$.job_id") == "",
    )
    looks = (_step_taken(entry) for entry in reader.entries_found(query))
    steps = sorted((*record.steps, *looks), key=lambda taken: taken.seq)
    return replace(record, steps=tuple(steps))


def holds(
    reader: LedgerReader,
    *,
    tool: str | None = None,
    nest: str | None = None,
    only_open: bool = True,
) -> list[HoldRow]:
    """Return the holds of nests, oldest first."""
    query = tables.found(_hold, tool=tool, nest=nest)
    if only_open:
        query = query.where(_hold.c.released_seq.is_(None))
    return reader.read(HoldRow, query.order_by(_hold.c.held_seq))


def nest_checks(
    reader: LedgerReader, tool: str, nest: str, *, limit: int | None = None
) -> list[NestCheckRow]:
    """Return what the daily checks found of a nest, oldest first; only the latest ``limit``."""
    check = tables.nest_check
    query = tables.found(check, tool=tool, nest=nest)
    return reader.read(NestCheckRow, query.order_by(check.c.seq.desc()).limit(limit))[::-1]


def work(
    reader: LedgerReader,
    *,
    tool: str | None = None,
    nest: str | None = None,
    since: date | None = None,
    limit: int = 500,
) -> list[WorkRow]:
    """Return the latest lines of the work log, oldest day first.

    Parameters
    ----------
    since
        Only work of this day and later.
    limit
        At most so many: the latest.
    """
    query = tables.found(_work, tool=tool, nest=nest)
    if since is not None:
        query = query.where(_work.c.day >= since.isoformat())
    query = query.order_by(_work.c.day.desc(), _work.c.seq.desc()).limit(limit)
    return reader.read(WorkRow, query)[::-1]


def last_look(reader: LedgerReader, tool: str, nest: str) -> ToolLookRow | None:
    """Return the latest look at a nest as a tool."""
    look = tables.tool_look
    query = tables.found(look, tool=tool, nest=nest).order_by(look.c.seq.desc()).limit(1)
    found = reader.read(ToolLookRow, query)
    return found[0] if found else None


def baseline_entries(reader: LedgerReader, tool: str, nest: str) -> list[Entry]:
    """Return the entries of all baselines of a nest's joints, in order."""
    return [
        entry
        for entry in reader.entries(BaselineSet.KIND)
        if isinstance(entry.payload, BaselineSet)
        and (entry.payload.joint.tool, entry.payload.joint.nest) == (tool, nest)
    ]


def _find_job(reader: LedgerReader, job_id: str) -> JobRow:
    # Ids are long to type: their start will do.
    named = _job.c.job_id.startswith(job_id, autoescape=True)
    found = reader.read(JobRow, select(_job).where(named).limit(2)) if job_id else []
    if not found:
        raise NotOnRecord(
            "The job {job_id!r} is not on record in {name}: list the jobs, then give "
            "its id, or name another ledger.",
            job_id=job_id,
            name=reader.path.name,
        )
    if len(found) > 1:
        raise BadInput(
            "More than one job begins with {job_id!r}: give more of its id.", job_id=job_id
        )
    return found[0]
