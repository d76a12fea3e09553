"""What every job needs of the record: its samples as they stand now, and a hash to keep."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

from pydantic import JsonValue

from calibration.saying import say
from station.errors import BadInput, NotOnRecord
from station.jobs.plan import JobPlan
from station.jobs.sample import JobSample, job_sample
from station.ledger.entries import JobBegun
from station.ledger.jobs import job_record
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, SampleRow


def samples_with_replaced(reader: LedgerReader, rows: Sequence[SampleRow]) -> list[JobSample]:
    """As `finished_samples`; a sample that was begun and made again counts as void.

    Otherwise a weak one could be lost by pulling the plug.
    """
    replaced = {row.replaces for row in rows if row.replaces}
    lost = [
        JobSample(row.sample_id, row.joint, "void", None, (), step=row.step)
        for row in rows
        if row.verdict is None and row.sample_id in replaced
    ]
    return [*lost, *finished_samples(reader, rows)]


def finished_samples(reader: LedgerReader, rows: Iterable[SampleRow]) -> list[JobSample]:
    """Finished samples in the order of ``rows``, corrections included."""
    done = [row for row in rows if row.verdict is not None]
    written = reader.finished_payloads(done)
    return [job_sample(written[row.sample_id], row) for row in done if row.sample_id in written]


@dataclass(frozen=True)
class JobRead:
    """A job as it stands: a function of the record."""

    record: JobRecord

    @property
    def job_id(self) -> str:
        """Identifier of the job."""
        return self.record.row.job_id

    @property
    def open(self) -> bool:
        """True until it has ended."""
        return self.record.ended is None


def unfinished_samples(reader: LedgerReader, job_id: str) -> list[SampleRow]:
    """Samples of a job that were begun and never finished: each is made again first, or voided."""
    return [row for row in reader.unfinished() if row.job_id == job_id]


def job_begun(job: str, plan: JobPlan, scope: Mapping[str, object], *, demo: bool) -> JobBegun:
    """The first entry of a job, with the plan in force."""
    content = cast(dict[str, JsonValue], scope)
    return JobBegun(
        job=job, plan_id=plan.id, plan=plan.model_dump(mode="json"), scope=content, demo=demo
    )


def record_of(reader: LedgerReader, job_id: str, job: str) -> JobRecord:
    """The record of a job of this kind (NotOnRecord if there is none with this id)."""
    record = job_record(reader, job_id)
    if record.begun.job != job:
        raise NotOnRecord(
            "Job {job_id} is a {job}, not a {job_2}.",
            job_id=job_id,
            job=say(record.begun.job.replace("_", " ")),
            job_2=say(job.replace("_", " ")),
        )
    return record


def demand_open(record: JobRecord) -> None:
    """Refuse what comes after the end of a job (BadInput)."""
    if record.ended is not None:
        raise BadInput(
            "Job {job_id} has ended ({outcome}): start another.",
            job_id=record.row.job_id,
            outcome=say(record.ended.outcome),
        )


def record_hash_of(
    reader: LedgerReader, record: JobRecord, samples: Sequence[SampleRow] | None = None
) -> str:
    """Hash over the hashes of all entries of a job, so that a paper can be held against them."""
    seqs = {record.row.begun_seq, *(taken.seq for taken in record.steps)}
    for row in record.samples if samples is None else samples:
        seqs |= {row.begun_seq, *([row.finished_seq] if row.finished_seq else [])}
    hashes = [entry.hash for entry in reader.numbered(seqs)]
    return hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def plain(content: dict[str, Any]) -> dict[str, Any]:
    """Content as JSON would give it back: what the record can hold without a change."""
    found: dict[str, Any] = json.loads(json.dumps(content, allow_nan=False))
    return found
