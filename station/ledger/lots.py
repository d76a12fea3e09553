"""Which work may hold a lot: read from a ledger between the samples that were of it."""

from datetime import date
from typing import NamedTuple

from sqlalchemy import ColumnElement

from station.ledger import tables
from station.ledger.entries import JobEnded
from station.ledger.jobs import work
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRow, SampleRow, WorkRow

MOST_WORK = 100_000

_sample = tables.sample
_job = tables.job


class Bracket(NamedTuple):
    """The days on which a lot may have been crimped in a nest; None for no bound."""

    since: date | None
    until: date | None


def bracket(reader: LedgerReader, first: SampleRow, last: SampleRow) -> Bracket:
    """Return from when to when a lot may have been crimped, by its first and last of a joint.

    The sample of the same joint before the first, and the one after the last, were not of it; what
    was crimped in between may have been. Of these two days it is not known which part.
    """
    before = _neighbour(reader, first, _sample.c.begun_seq < first.begun_seq, newest_first=True)
    after = _neighbour(reader, last, _sample.c.begun_seq > last.begun_seq, newest_first=False)
    return Bracket(before, after)


def work_within(reader: LedgerReader, tool: str, nest: str, days: Bracket) -> list[WorkRow]:
    """Return the work of a nest on these days."""
    found = work(reader, tool=tool, nest=nest, since=days.since, limit=MOST_WORK)
    return [row for row in found if days.until is None or row.day <= days.until]


def ended_jobs(reader: LedgerReader, job_ids: list[str]) -> list[tuple[JobRow, JobEnded]]:
    """Return those of the jobs that have ended, by when, each with its end."""
    query = _job.select().where(_job.c.job_id.in_(job_ids), _job.c.ended_seq.is_not(None))
    rows = reader.read(JobRow, query.order_by(_job.c.ended_seq))
    entries = reader.numbered(row.ended_seq or 0 for row in rows)
    ends = {entry.seq: entry.payload for entry in entries}
    found = ((row, ends.get(row.ended_seq or 0)) for row in rows)
    return [(row, ended) for row, ended in found if isinstance(ended, JobEnded)]


def _neighbour(
    reader: LedgerReader, of: SampleRow, where: ColumnElement[bool], *, newest_first: bool
) -> date | None:
    """The day of the sample of the same joint that was made before or after it."""
    seq = _sample.c.begun_seq
    query = tables.found(_sample, tool=of.tool, nest=of.nest, joint_key=of.joint_key).where(where)
    found = reader.read(SampleRow, query.order_by(seq.desc() if newest_first else seq).limit(1))
    return found[0].at_utc.astimezone().date() if found else None
