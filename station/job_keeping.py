"""What the book of jobs asks of each kind of job: one keeper per job, over one ledger."""

from collections.abc import Mapping, Sequence
from typing import Protocol, cast

from pydantic import JsonValue

from station.bench_state import SampleOrder
from station.jobs.course import Course, Outcome
from station.ledger.entries import JobEnded, Payload
from station.ledger.job_queries import JobRecord
from station.plan_files import Plan

Content = dict[str, JsonValue]


class JobKeeper(Protocol):
    """Knows one kind of job. Reads the ledger; what it returns is entered by the book."""

    def scope(self, plan: Plan, asked: Mapping[str, object], person: str) -> Content:
        """What a new job is about, checked (BadInput, NestOnHold, NotAllowed)."""

    def course(self, record: JobRecord) -> Course:
        """How the job stands."""

    def check_sample(self, record: JobRecord, order: SampleOrder) -> str:
        """The step that a sample of the job belongs to (BadInput where it belongs to none)."""

    def check_step(self, record: JobRecord, step: str, content: Content, person: str) -> Content:
        """What is entered for a step (BadInput, NotAllowed where it cannot be)."""

    def settle(self, record: JobRecord) -> Sequence[Payload]:
        """Entries that follow from the record by themselves; none while something is left."""

    def ending(self, record: JobRecord, person: str) -> Outcome:
        """What ending the job now comes to (BadInput, NotAllowed where it cannot end)."""


def job_ended(record: JobRecord, outcome: Outcome) -> JobEnded:
    """The entry that ends a job with this outcome."""
    return JobEnded(
        job_id=record.row.job_id,
        outcome=outcome.word,
        reasons=outcome.reasons,
        figures=cast(Content, dict(outcome.figures)),
        demo=record.begun.demo,
    )
