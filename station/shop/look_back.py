"""What rests on samples that turn out to be doubtful: outcomes, certificates, baselines, work."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

from station.ledger.entries import BaselineSet, JobBegun, JobEnded, StudyBegun
from station.ledger.jobs import work
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow, WorkRow

MOST_WORK = 100_000


@dataclass(frozen=True, slots=True)
class RestingOutcome:
    """The outcome of a job that rests on doubtful samples.

    Attributes
    ----------
    samples
        How many of the job's samples are doubtful.
    valid_until, record_hash
        Of a certificate; None for other jobs.
    """

    job_id: str
    job: str
    outcome: str
    ended_on: date
    person: str
    samples: int
    valid_until: date | None = None
    record_hash: str | None = None

    @property
    def is_certificate(self) -> bool:
        """Whether a paper was given out with it."""
        return self.valid_until is not None


@dataclass(frozen=True, slots=True)
class Consequences:
    """All that rests on doubtful samples.

    Attributes
    ----------
    baselines
        Joints whose wear watch was set by some of the samples.
    studies
        Titles of gauge studies that the instrument took part in since.
    """

    outcomes: tuple[RestingOutcome, ...] = ()
    baselines: tuple[str, ...] = ()
    work: tuple[WorkRow, ...] = ()
    studies: tuple[str, ...] = ()

    @property
    def certificates(self) -> tuple[RestingOutcome, ...]:
        """The outcomes that gave a certificate."""
        return tuple(outcome for outcome in self.outcomes if outcome.is_certificate)


def consequences(
    reader: LedgerReader,
    since_seq: int,
    samples: Sequence[SampleRow],
    *,
    instrument: str | None = None,
    tool: str | None = None,
    nest_seqs: Mapping[str, int] = MappingProxyType({}),
) -> Consequences:
    """Find what rests on doubtful samples.

    Work is doubtful where it was crimped in a nest of the tool, or in a nest that the instrument
    measured, on the day of the last good check or later: within that day the order is not known.

    Parameters
    ----------
    since_seq
        Entry of the last good check; 0 is the beginning of the record.
    samples
        Those that are doubtful.
    instrument, tool
        Which one of them was found bad.
    nest_seqs
        Entries of the last good check of the tool's nests, where each has its own.
    """
    days = {nest: _day_of(reader, seq) for nest, seq in nest_seqs.items()}
    nests = {(row.tool, row.nest) for row in samples}
    logged = [
        row
        for row in work(reader, tool=tool, since=_day_of(reader, since_seq), limit=MOST_WORK)
        if (tool is not None or (row.tool, row.nest) in nests)
        and row.day >= (days.get(row.nest) or date.min)
    ]
    ids = {row.sample_id for row in samples}
    baselines = (entry.payload for entry in reader.entries(kind=BaselineSet.KIND))
    studies = (entry.payload for entry in reader.entries(StudyBegun.KIND, after_seq=since_seq))
    return Consequences(
        tuple(_outcomes(reader, samples)),
        tuple(
            dict.fromkeys(
                payload.joint.key
                for payload in baselines
                if isinstance(payload, BaselineSet) and ids.intersection(payload.sample_ids)
            )
        ),
        tuple(logged),
        tuple(
            payload.title
            for payload in studies
            if isinstance(payload, StudyBegun) and payload.instrument == instrument
        ),
    )


def _outcomes(reader: LedgerReader, samples: Sequence[SampleRow]) -> list[RestingOutcome]:
    counts: dict[str, int] = {}
    for row in samples:
        if row.job_id is not None:
            counts[row.job_id] = counts.get(row.job_id, 0) + 1
    found = []
    for entry in reader.entries(kind=JobEnded.KIND):
        ended = entry.payload
        if not isinstance(ended, JobEnded) or ended.job_id not in counts:
            continue
        begun = reader.entry(ended.job_id)
        job = begun.payload.job if begun and isinstance(begun.payload, JobBegun) else ""
        found.append(
            RestingOutcome(
                ended.job_id,
                job,
                ended.outcome,
                entry.at_utc.astimezone().date(),
                entry.person,
                counts[ended.job_id],
                ended.valid_until,
                ended.record_hash,
            )
        )
    return found


def _day_of(reader: LedgerReader, seq: int) -> date | None:
    if seq == 0:
        return None
    entry = next(reader.entries(after_seq=seq - 1, limit=1), None)
    return None if entry is None else entry.at_utc.astimezone().date()
