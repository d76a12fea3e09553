"""What jobs need of the record: samples with their present verdict, checks, and a hash to keep."""

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from station.ledger.entries import CriterionResult, Joint, SampleFinished
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, SampleRow

MIN_SPLICE_OHM = 1e-6
"""Below a microohm the logarithm says more about the meter than about the crimp."""


@dataclass(frozen=True, slots=True)
class JobSample:
    """One finished sample of a job, SI units.

    Attributes
    ----------
    step
        What the job made it for; None where the job did not say.
    verdict, failure_mode
        As they stand now: a later correction may have voided the sample or named another mode.
    criteria
        Comparisons with the limits, as they were judged.
    checklist
        Answers by item; True is good.
    splice_ohm
        None where it was not measured.
    word_only
        True for a void that rests on the operator's word alone: given up, or called a slip where
        the trace shows none, and not confirmed by a later correction. A weak crimp that is called
        void would look like this.
    """

    sample_id: str
    joint: Joint
    verdict: str
    failure_mode: str | None
    criteria: tuple[CriterionResult, ...]
    checklist: Mapping[str, bool] = field(default_factory=dict)
    step: str | None = None
    splice_ohm: float | None = None
    word_only: bool = False

    @property
    def log_resistance(self) -> float | None:
        """Natural logarithm of the joint's resistance in ohms; None where it was not measured."""
        return None if self.splice_ohm is None else math.log(max(self.splice_ohm, MIN_SPLICE_OHM))

    @property
    def void(self) -> bool:
        """True where the test, not the crimp, was bad."""
        return self.verdict == "void"

    @property
    def force_ratio(self) -> float | None:
        """Pull as force over limit; None where it was not judged."""
        found = self.criterion("pull_force_min")
        return None if found is None or found.value is None else found.value / found.limit

    def criterion(self, name: str) -> CriterionResult | None:
        """The comparison with one limit, if it was made."""
        return next((found for found in self.criteria if found.criterion == name), None)


def job_sample(
    finished: SampleFinished,
    *,
    verdict: str,
    failure_mode: str | None,
    void_reason: str | None,
    step: str | None = None,
) -> JobSample:
    """A sample from its entry, and verdict, mode and reason as corrections left them."""
    resistance = finished.resistance
    return JobSample(
        finished.sample_id,
        finished.joint,
        verdict,
        failure_mode,
        finished.criteria,
        finished.checklist,
        step,
        None if resistance is None else resistance.splice_ohm,
        finished.void_by == "person" and void_reason == finished.void_reason,
    )


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
