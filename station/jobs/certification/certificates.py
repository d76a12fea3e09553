"""Certificates on record: who holds one, until when, and looking one up by its hash."""

from collections.abc import Iterator
from typing import cast

from station.errors import BadInput
from station.jobs.certification.record import JOB
from station.jobs.certification.statement import Attempt, Held
from station.ledger.entries import JobEnded
from station.ledger.jobs import job_record, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.text import likeness

LEAST_HASH = 8
"""Characters of a hash that name a certificate."""


def held_certificates(reader: LedgerReader) -> list[Held]:
    """Every certificate that was given, newest first; those of a demo too."""
    return [held for record in _ended(reader) if (held := _held(record)) is not None]


def certificate_named(reader: LedgerReader, record_hash: str) -> Held:
    """The certificate whose hash begins so.

    Raises
    ------
    BadInput
        Too short a beginning, or there is none on this record.
    """
    asked = record_hash.strip().lower()
    if len(asked) < LEAST_HASH:
        raise BadInput(
            "Give at least {least_hash} characters of the hash on the paper.",
            least_hash=LEAST_HASH,
        )
    for held in held_certificates(reader):
        if held.record_hash.startswith(asked):
            return held
    raise BadInput(
        "No certificate with the hash {record_hash!r} is on this record, {name}: "
        "compare it with the paper once more; it may be of another bench.",
        record_hash=record_hash,
        name=reader.path.name,
    )


def attempts_of(reader: LedgerReader, candidate: str) -> list[Attempt]:
    """Ended certifications of a person, oldest first."""
    found = []
    for record in _ended(reader):
        ended, at = record.ended, record.ended_at_utc
        if ended is None or at is None or likeness(_candidate(record)) != likeness(candidate):
            continue
        bound = ended.figures.get("bound")
        shown = float(bound) if isinstance(bound, int | float) else None
        found.append(Attempt(at.astimezone().date(), ended.outcome, shown))
    return found[::-1]


def _ended(reader: LedgerReader) -> Iterator[JobRecord]:
    for row in jobs(reader, job=JOB, limit=10_000):
        if row.outcome is not None:
            yield job_record(reader, row.job_id)


def _held(record: JobRecord) -> Held | None:
    ended: JobEnded | None = record.ended
    if ended is None or ended.valid_until is None or ended.record_hash is None:
        return None
    plan = record.begun.plan
    return Held(
        _candidate(record),
        record.row.job_id,
        str(plan["title"]),
        ended.valid_until,
        ended.record_hash,
        cast(int, plan.get("remind_days", 0)),
    )


def _candidate(record: JobRecord) -> str:
    return str(record.begun.scope["candidate"])
