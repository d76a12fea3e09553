"""A certification as the record has it. While it is judged, only the pool of codes may be shown."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, cast

from station.jobs.certification.codes import to_judge
from station.jobs.certification.judge import CertificationResult, judge_candidate
from station.jobs.certification.plan import CertificationPlan, Task
from station.jobs.certification.sealed import key_of
from station.jobs.record import JobRead, finished_samples, record_of
from station.jobs.sample import JobSample
from station.ledger.entries import (
    CodeFor,
    CodesDrawn,
    JobStepOf,
    Joint,
    KeyShown,
    OutcomeSeen,
    OutcomeSigned,
    SampleLookedAt,
)
from station.ledger.jobs import coded_samples, jobs, looked_at
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow

JOB = "certification"
MAX_JOBS = 1_000


@dataclass(frozen=True, slots=True)
class CertificationScope:
    """Whom and what a certification is about.

    Attributes
    ----------
    nests
        Which nest of the tool serves which colour band.
    guard
        Guard factor of the verdicts when the job began.
    """

    candidate: str
    tool: str
    nests: Mapping[str, str]
    limit_set: str | None
    guard: float

    def joint(self, task: Task) -> Joint:
        """The joint that a task makes with this tool."""
        return Joint(
            connector=task.connector,
            wires=task.wires,
            material=task.material,
            tool=self.tool,
            nest=self.nests[task.band],
        )


@dataclass(frozen=True, slots=True)
class Signed:
    """Where the signatures stand."""

    by: str | None = None
    acknowledged: bool = False


@dataclass(frozen=True)
class Certification(JobRead):
    """One certification as it stands. Only shown to people once nothing of it is to be judged."""

    plan: CertificationPlan
    scope: CertificationScope
    key: Mapping[str, CodeFor]
    rows: tuple[SampleRow, ...]
    samples: tuple[JobSample, ...]
    result: CertificationResult

    @property
    def waiting(self) -> list[str]:
        """Its own codes that are to be judged; never to be shown beside its name."""
        return to_judge(self.key, self.samples) if self.open else []

    @property
    def shown(self) -> bool:
        """Whether what was found may be shown: it was labelled, and nothing is to be judged."""
        return not self.open or (self.labelled and not self.waiting and not self.lost)

    @property
    def lost(self) -> bool:
        """Whether a key is neither on record nor beside the ledger: then nothing can be judged."""
        sittings = {slot.sitting for slot in self.key.values()}
        return not sittings.issuperset(one.sitting for one in self.record.steps_of(CodesDrawn))

    @property
    def last_sample_at(self) -> datetime | None:
        """When its last sample was finished."""
        return max((row.at_utc for row in self.rows if row.verdict is not None), default=None)

    @property
    def earliest_resit(self) -> datetime | None:
        """From when a re-sit may begin; None where nothing was measured."""
        last = self.last_sample_at
        return None if last is None else last + timedelta(days=self.plan.resit_after_days)

    @property
    def signed(self) -> Signed:
        """Where the signatures stand; a signature is void once another sitting has begun."""
        by = self._in_this_sitting(OutcomeSigned)
        return Signed(by[-1] if by else None, bool(self._in_this_sitting(OutcomeSeen)))

    @property
    def labelled(self) -> bool:
        """Whether the key of the present sitting was shown to somebody."""
        return bool(self._in_this_sitting(KeyShown))

    def _in_this_sitting(self, kind: type[JobStepOf]) -> list[str]:
        """Who took steps of a kind since the last codes were drawn."""
        begun = self.record.steps_named(CodesDrawn.STEP)[-1].seq
        return [step.person for step in self.record.steps_named(kind.STEP) if step.seq > begun]


def certifications(reader: LedgerReader, *, only_open: bool = True) -> list[Certification]:
    """Certifications, newest first."""
    rows = jobs(reader, job=JOB, only_open=only_open, limit=MAX_JOBS)
    return [read(reader, row.job_id) for row in rows]


def read(reader: LedgerReader, job_id: str) -> Certification:
    """Read a certification from the record (NotOnRecord if there is none with this id)."""
    record = record_of(reader, job_id, JOB)
    plan = CertificationPlan.model_validate(record.begun.plan)
    scope = CertificationScope(**cast(dict[str, Any], record.begun.scope))
    key = key_of(reader.path, record)
    record = looked_at(reader, record, key)
    rows = tuple(coded_samples(reader, list(key), since_seq=record.row.begun_seq))
    # A code counts once, by what was finished first, with what the judge saw: a measurement that
    # was taken up again elsewhere does not know it.
    seen = {looked.code: looked.checklist for looked in record.steps_of(SampleLookedAt)}
    first: dict[str | None, JobSample] = {}
    for sample in finished_samples(reader, rows):
        if sample.step in seen:
            first.setdefault(sample.step, replace(sample, checklist=seen[sample.step]))
    samples = tuple(first.values())
    critical = frozenset(
        item for looked in record.steps_of(SampleLookedAt) for item in looked.critical
    )
    result = judge_candidate(plan, key, samples, critical, reader.baselines())
    return Certification(record, plan, scope, key, rows, samples, result)


def candidate_of(reader: LedgerReader, job_id: str) -> str:
    """Whom a certification is about (NotOnRecord if there is none with this id)."""
    return str(record_of(reader, job_id, JOB).begun.scope["candidate"])


def figures_of(job: Certification) -> dict[str, Any]:
    """What the end of a job keeps of its numbers."""
    result = job.result
    spread = result.force_spread
    return {
        "n": result.n,
        "conforming": result.conforming,
        "bound": result.bound,
        "force_spread": None if spread is None else spread.ratio,
        "controls": result.controls,
        "controls_conforming": result.controls_conforming,
        "tasks": [
            {"task": task.task.id, "sitting": task.sitting, "state": task.state, "n": task.n,
             "conforming": task.conforming, "minor": task.minor, "voids": task.voids}
            for task in result.tasks
        ],
    }  # fmt: skip
