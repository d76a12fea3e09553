"""What jobs, held nests and logged work do to the read tables."""

from sqlalchemy import Connection, bindparam, func, select

from station.errors import BadInput
from station.ledger import tables
from station.ledger.chain import utc_text
from station.ledger.entries import (
    NEST_OUTCOME,
    JobBegun,
    JobEnded,
    JobStep,
    JobStepOf,
    NestHeld,
    NestReleased,
    Payload,
    WorkDone,
)
from station.ledger.entry import Entry

_job = tables.job
_hold = tables.nest_hold
_sample = tables.sample

_FIND_JOB = select(_job.c.job, _job.c.ended_seq).where(_job.c.job_id == bindparam("of_job"))
_OPEN_SAMPLES = (
    select(func.count())
    .select_from(_sample)
    .where(_sample.c.job_id == bindparam("of_job"), tables.OPEN_SAMPLE)
)
_END_JOB = _job.update().where(_job.c.job_id == bindparam("of_job"))
_OPEN_HOLDS = _hold.update().where(
    _hold.c.tool == bindparam("of_tool"),
    _hold.c.nest == bindparam("of_nest"),
    _hold.c.released_seq.is_(None),
)


def derive_job(connection: Connection, entry: Entry, payload: Payload) -> None:
    """Bring the read tables up to date with one entry; those of other kinds change nothing.

    Raises
    ------
    BadInput
        The job is not on record, has ended or has a sample in hand; the nest is not held.
    """
    match payload:
        case JobBegun():
            row = {"begun_seq": entry.seq, "job_id": entry.id, "plan_id": payload.plan_id}
            connection.execute(_job.insert(), row | {"job": payload.job} | _noted(entry))
        case JobStep() | JobStepOf():
            check_job_open(connection, payload.job_id)
            _add_job_entry(connection, entry, payload.job_id)
            if isinstance(payload, JobStep) and payload.step == NEST_OUTCOME:
                _nest_checked(connection, entry, payload)
        case JobEnded():
            _job_ended(connection, entry, payload)
        case NestHeld():
            row = payload.model_dump(include={"tool", "nest", "reason", "needs", "job_id"})
            connection.execute(_hold.insert(), row | {"held_seq": entry.seq} | _noted(entry))
        case NestReleased():
            _nest_released(connection, entry, payload)
        case WorkDone():
            row = payload.model_dump(mode="json", exclude={"demo"})
            connection.execute(tables.work.insert(), row | {"seq": entry.seq} | _noted(entry))


def check_job_open(connection: Connection, job_id: str) -> None:
    """Refuse what belongs to a job that is not on record or has ended (BadInput)."""
    found = connection.execute(_FIND_JOB, {"of_job": job_id}).first()
    if found is None:
        raise BadInput(
            "The job {job_id} is not on record: list the jobs, then give its id.",
            job_id=job_id,
        )
    if found.ended_seq is not None:
        raise BadInput(
            "The job {job_id} has ended, and nothing can be added: start another.",
            job_id=job_id,
        )


def _job_ended(connection: Connection, entry: Entry, ended: JobEnded) -> None:
    check_job_open(connection, ended.job_id)
    if connection.scalar(_OPEN_SAMPLES, {"of_job": ended.job_id}):
        raise BadInput(
            "The job {job_id} has a sample in hand: finish it or void it, then end the job.",
            job_id=ended.job_id,
        )
    change = {"of_job": ended.job_id, "ended_seq": entry.seq, "outcome": ended.outcome}
    connection.execute(_END_JOB, change)
    _add_job_entry(connection, entry, ended.job_id)


def _nest_released(connection: Connection, entry: Entry, released: NestReleased) -> None:
    place = {"of_tool": released.tool, "of_nest": released.nest}
    if connection.execute(_OPEN_HOLDS, place | {"released_seq": entry.seq}).rowcount == 0:
        raise BadInput(
            "Nest {nest} of {tool} is not held: nothing to release.",
            nest=released.nest,
            tool=released.tool,
        )


def _nest_checked(connection: Connection, entry: Entry, step: JobStep) -> None:
    names = ("tool", "nest", "outcome", "needs")
    row = {name: str(step.content.get(name, "")) for name in names}
    row["job_id"] = step.job_id
    found = select(tables.nest_check.c.seq).where(
        tables.nest_check.c.job_id == step.job_id,
        tables.nest_check.c.tool == row["tool"],
        tables.nest_check.c.nest == row["nest"],
    )
    if connection.execute(found).first() is not None:
        raise BadInput(
            "What the job {job_id} found of {row}, nest {row_2} is on record already: "
            "it is found once.",
            job_id=step.job_id,
            row=row["tool"],
            row_2=row["nest"],
        )
    connection.execute(tables.nest_check.insert(), row | {"seq": entry.seq} | _noted(entry))


def _add_job_entry(connection: Connection, entry: Entry, job_id: str) -> None:
    row = {"seq": entry.seq, "entry_id": entry.id, "job_id": job_id}
    connection.execute(tables.job_entry.insert(), row)


def _noted(entry: Entry) -> dict[str, object]:
    return {"at_utc": utc_text(entry.at_utc), "person": entry.person, "demo": entry.payload.demo}
