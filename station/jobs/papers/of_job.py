"""The paper of any job that has one, from the record."""

from collections.abc import Iterable, Sequence
from functools import partial

from calibration.saying import say
from station.crimp.facts import shipped_book, shipped_causes
from station.crimp.verdict import PART_WORDS
from station.errors import BadInput
from station.jobs.certification.certificates import attempts_of
from station.jobs.certification.paper import certification_paper
from station.jobs.certification.record import read as read_certification
from station.jobs.daily.paper import daily_paper
from station.jobs.papers.frame import Framing, Paper
from station.jobs.papers.looks import LookRow, look_rows
from station.jobs.sample import JobSample
from station.jobs.validation.paper import validation_paper
from station.jobs.validation.record import read as read_validation
from station.jobs.validation.record import replaced_by
from station.ledger.entries import NEST_OUTCOME, SampleFinished
from station.ledger.jobs import job_record
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, SampleRow
from station.shop.hints import hints_by_sample
from station.shop.photos import small_photos


def paper_of(reader: LedgerReader, job_id: str, size: Paper = "a4") -> str:
    """The paper of a job as one HTML file.

    Raises
    ------
    BadInput
        There is no such job, it has no paper, or it is being judged blind.
    """
    record = job_record(reader, job_id)
    shared = partial(_framing, reader, record, size)
    match record.row.job:
        case "daily_check":
            rows = counted_samples(reader, record)
            written = reader.finished_payloads(rows)
            finished = [written[row.sample_id] for row in rows if row.sample_id in written]
            criteria = (found for one in finished for found in one.criteria)
            looks = _looks(one for one in finished if one.verdict != "void")
            return daily_paper(record, rows, criteria, looks, **shared(rows))
        case "tool_validation":
            validation = read_validation(reader, job_id)
            comparisons = {
                result.joint.key: replaced_by(reader, validation, result)
                for result in validation.result.joints
            }
            looks = _looks(one for one in validation.samples if not one.void)
            return validation_paper(validation, comparisons, looks, **shared(record.samples))
        case "certification":
            job = read_certification(reader, job_id)
            hints = hints_by_sample(reader, job.rows, shipped_causes()) if job.shown else {}
            attempts = attempts_of(reader, job.scope.candidate)
            looks = _looks(one for one in job.samples if not one.void)
            return certification_paper(
                job, shipped_book(), hints, attempts, looks, **shared(job.rows)
            )
    raise BadInput("There is no paper of a {job}.", job=say(record.row.job.replace("_", " ")))


def _framing(
    reader: LedgerReader, record: JobRecord, size: Paper, rows: Sequence[SampleRow]
) -> Framing:
    """What is shown of every job beside its own, first what must be said of these samples."""
    marks = ["Invented demo records: no measurement of anything."] if record.row.demo else []
    if any(row.simulated for row in rows):
        marks.append(say("Measured with simulated instruments."))
    parts = dict.fromkeys(row.only for row in rows if row.only is not None)
    marks += [say("Judged by the {part} only.", part=PART_WORDS[part]) for part in parts]
    seqs = {record.row.begun_seq, record.row.ended_seq, *(taken.seq for taken in record.steps)}
    if doubted := reader.times_in_doubt(seqs.union(row.entered_seq for row in rows)):
        words = say(
            "The clock was not known to be set at {count} of its entries: their times may be "
            "wrong.",
            count=len(doubted),
        )
        marks.append(words)
    measured = [used for one in reader.finished_payloads(rows).values() for used in one.used]
    if without := {used.name for used in measured if used.doubted}:
        names = ", ".join(sorted(without))
        marks.append(say("Measured without a calibration in force: {names}.", names=names))
    return {"marks": marks, "photos": small_photos(reader, rows), "size": size}


def _looks(samples: Iterable[JobSample | SampleFinished]) -> list[LookRow]:
    looked_at = ((one.joint.connector, one.checklist) for one in samples)
    return look_rows(shipped_book(), looked_at)


def counted_samples(reader: LedgerReader, record: JobRecord) -> list[SampleRow]:
    """The samples that a check's findings rest on; some were made before it began."""
    found = {row.sample_id: row for row in record.samples}
    for taken in record.steps_named(NEST_OUTCOME):
        for name in ("samples", "voids"):
            listed = taken.step.content.get(name)
            for sample_id in listed if isinstance(listed, list) else []:
                row = reader.sample(str(sample_id))
                if row is not None:
                    found.setdefault(row.sample_id, row)
    return sorted(found.values(), key=lambda row: row.begun_seq)
