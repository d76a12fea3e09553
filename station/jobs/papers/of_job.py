"""The paper of any job that has one, from the record."""

from collections.abc import Iterable, Sequence

from calibration.saying import say
from station.crimp.facts import shipped_book, shipped_causes
from station.crimp.verdict import PART_WORDS
from station.errors import BadInput
from station.jobs.certification.certificates import attempts_of
from station.jobs.certification.paper import certification_paper
from station.jobs.certification.record import read as read_certification
from station.jobs.daily.paper import daily_paper
from station.jobs.papers.frame import Paper
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
    marks = ["Invented demo records: no measurement of anything."] if record.row.demo else []
    marks += _marks_of(record.samples)
    seqs = {record.row.begun_seq, record.row.ended_seq, *(taken.seq for taken in record.steps)}
    match record.row.job:
        case "daily_check":
            rows = counted_samples(reader, record)
            written = reader.finished_payloads(rows)
            finished = [written[row.sample_id] for row in rows if row.sample_id in written]
            criteria = (found for one in finished for found in one.criteria)
            looks = _looks(one for one in finished if one.verdict != "void")
            marks += _clock_mark(reader, seqs, rows)
            photos = small_photos(reader, rows)
            return daily_paper(record, rows, criteria, looks, marks=marks, photos=photos, size=size)
        case "tool_validation":
            validation = read_validation(reader, job_id)
            comparisons = {
                result.joint.key: replaced_by(reader, validation, result)
                for result in validation.result.joints
            }
            looks = _looks(one for one in validation.samples if not one.void)
            marks += _clock_mark(reader, seqs, record.samples)
            photos = small_photos(reader, record.samples)
            return validation_paper(
                validation, comparisons, looks, marks=marks, photos=photos, size=size
            )
        case "certification":
            job = read_certification(reader, job_id)
            marks += _marks_of(job.rows) + _clock_mark(reader, seqs, job.rows)
            hints = hints_by_sample(reader, job.rows, shipped_causes()) if job.shown else {}
            attempts = attempts_of(reader, job.scope.candidate)
            looks = _looks(one for one in job.samples if not one.void)
            return certification_paper(
                job, shipped_book(), hints, attempts, looks, marks=marks, size=size,
                photos=small_photos(reader, job.rows) if job.shown else (),
            )  # fmt: skip
    raise BadInput("There is no paper of a {job}.", job=say(record.row.job.replace("_", " ")))


def _looks(samples: Iterable[JobSample | SampleFinished]) -> list[LookRow]:
    looked_at = ((one.joint.connector, one.checklist) for one in samples)
    return look_rows(shipped_book(), looked_at)


def _marks_of(rows: Sequence[SampleRow]) -> list[str]:
    """What must be said first of a paper that rests on these samples."""
    marks = [say("Measured with simulated instruments.")] if any(r.simulated for r in rows) else []
    parts = dict.fromkeys(row.only for row in rows if row.only is not None)
    return marks + [say("Judged by the {part} only.", part=PART_WORDS[part]) for part in parts]


def _clock_mark(
    reader: LedgerReader, seqs: set[int | None], rows: Sequence[SampleRow]
) -> list[str]:
    """What must be said where times on the paper may be wrong."""
    found = reader.times_in_doubt(seqs.union(row.entered_seq for row in rows))
    words = say(
        "The clock was not known to be set at {count} of its entries: their times may be wrong.",
        count=len(found),
    )
    return [words] if found else []


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
