"""What jobs need of the record: samples with their present verdict, checks, and a hash to keep."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from typing import Any

from station.jobs.job_sample import JobSample, job_sample
from station.jobs.validation_course import LastCheck
from station.ledger.entries import InstrumentChecked, Joint
from station.ledger.job_queries import JobRecord
from station.ledger.queries import LedgerReader, SampleRow


def samples_with_replaced(reader: LedgerReader, rows: Sequence[SampleRow]) -> list[JobSample]:
    """As `finished_samples`; a sample that was begun and made again counts as void.

    Otherwise a weak one could be lost by pulling the plug.
    """
    replaced = {row.replaces for row in rows if row.replaces}
    lost = [
        JobSample(row.sample_id, _joint_of(row), "void", None, (), step=row.step)
        for row in rows
        if row.verdict is None and row.sample_id in replaced
    ]
    return [*lost, *finished_samples(reader, rows)]


def _joint_of(row: SampleRow) -> Joint:
    return Joint(
        connector=row.connector, wires=row.wires, material=row.material, tool=row.tool,
        nest=row.nest,
    )  # fmt: skip


def finished_samples(reader: LedgerReader, rows: Iterable[SampleRow]) -> list[JobSample]:
    """Finished samples in the order of ``rows``, corrections included."""
    found = []
    for row in rows:
        finished = reader.finished_payload(row.sample_id) if row.verdict is not None else None
        if finished is not None and row.verdict is not None:
            found.append(
                job_sample(
                    finished,
                    verdict=row.verdict,
                    failure_mode=row.failure_mode,
                    void_reason=row.void_reason,
                    step=row.step,
                )
            )
    return found


def checks_by_role(reader: LedgerReader) -> dict[str, LastCheck]:
    """The latest check of a meter and of a tester, whichever instrument it was of."""
    latest: dict[str, LastCheck] = {}
    for instrument, role in reader.instruments(with_samples=False).items():
        for entry in reader.checks(instrument)[-1:]:
            if not isinstance(entry.payload, InstrumentChecked):
                continue
            if role not in latest or entry.at_utc > latest[role].at:
                latest[role] = LastCheck(
                    role, instrument, entry.at_utc, entry.payload.passed, entry.id
                )
    return latest


def record_hash_of(
    reader: LedgerReader, record: JobRecord, samples: Sequence[SampleRow] | None = None
) -> str:
    """Hash over the hashes of all entries of a job, so that a paper can be held against them."""
    seqs = {record.row.begun_seq, *(taken.seq for taken in record.steps)}
    for row in record.samples if samples is None else samples:
        seqs |= {row.begun_seq, *([row.finished_seq] if row.finished_seq else [])}
    hashes = [next(reader.entries(after_seq=seq - 1, limit=1)).hash for seq in sorted(seqs)]
    return hashlib.sha256("\n".join(hashes).encode()).hexdigest()


def plain(content: dict[str, Any]) -> dict[str, Any]:
    """Content as JSON would give it back: what the record can hold without a change."""
    found: dict[str, Any] = json.loads(json.dumps(content, allow_nan=False))
    return found
