"""Entries about jobs."""

from datetime import date
from typing import Any, ClassVar, Literal

from pydantic import Field, JsonValue

from station.ledger.entries.base import Payload, Recorded

NEST_OUTCOME = "nest_outcome"
"""Name of the step of a daily check that records what was found of one nest."""


JobName = Literal["daily_check", "tool_validation", "certification", "comparison"]


class JobBegun(Payload, kind="job_begun"):
    """A job was taken up. Its ``id`` is the job's; all that belongs to it names that."""

    job: JobName
    plan_id: str
    plan: dict[str, JsonValue]
    """The whole plan in force, so that a later change of its file changes nothing here."""
    scope: dict[str, JsonValue]
    """What the job is about: tools, nests, joints, a candidate."""


class JobStep(Payload, kind="job_step"):
    """Anything done in a job besides a sample: a check of the bench, a sign-off, a finding."""

    job_id: str
    step: str
    content: dict[str, JsonValue] = Field(default={})


class JobEnded(Payload, kind="job_ended"):
    """A job came to its outcome. Nothing can be added to it afterwards."""

    job_id: str
    outcome: str
    reasons: tuple[str, ...]
    figures: dict[str, JsonValue] = Field(default={})
    valid_until: date | None = None
    """Last day on which a certificate holds; null for jobs that give none."""
    scope: dict[str, JsonValue] = Field(default={})
    """What a certificate covers."""
    signatures: tuple[str, ...] = ()
    record_hash: str | None = None
    """Hash of the job's record up to here, to look a paper up by."""


class JobStepOf(Payload):
    """Base of the steps that have a kind of their own."""

    STEP: ClassVar[str]
    """What such a step was called while it was a `JobStep` whose content had no model."""

    job_id: str

    def __init_subclass__(cls, step: str = "", **rest: Any) -> None:
        super().__init_subclass__(**rest)
        if step:
            cls.STEP = step

    @property
    def step(self) -> str:
        """Its name, as a `JobStep` has it."""
        return self.STEP

    @property
    def content(self) -> dict[str, JsonValue]:
        """What it says, as a `JobStep` has it."""
        return self.model_dump(mode="json", exclude={"demo", "job_id"})


class CodeFor(Recorded):
    """What a code stands for; see `CodesDrawn`."""

    task: str
    part: Literal["candidate", "spare", "control"]
    sitting: int
    """1, or 2 for a re-sit."""
    position: int
    """Within its task, part and sitting, from 0."""


class CodesDrawn(JobStepOf, kind="codes_drawn", step="codes"):
    """The codes of a sitting of a certification: nobody who judges may see them."""

    sitting: int
    codes: dict[str, CodeFor]
    """Empty where they are sealed, which they are since there is a commitment."""
    commitment: str | None = None
    """Hash of the key, which `KeyOpened` puts on record once the outcome is signed."""


class KeyOpened(JobStepOf, kind="key_opened", step="key_opened"):
    """The key of a sitting, which was sealed while it was judged; see `CodesDrawn`."""

    sitting: int
    salt: str
    codes: dict[str, CodeFor]


class KeyShown(JobStepOf, kind="key_shown", step="key_shown"):
    """Somebody was shown which code is whose, to label the samples; they may judge nothing."""

    to: str


class SampleLookedAt(JobStepOf, kind="sample_looked_at", step="judged"):
    """A lead answered the checklist of a coded sample, before it was measured."""

    job_id: str = ""
    """Empty since a code is all that is known of a sample: a job would say whose it is."""
    code: str
    checklist: dict[str, bool]
    critical: tuple[str, ...] = ()
    """Which of its items are critical."""


class OutcomeSigned(JobStepOf, kind="outcome_signed", step="signed"):
    """A lead signed the outcome of a certification."""

    outcome: str


class OutcomeSeen(JobStepOf, kind="outcome_seen", step="acknowledged"):
    """The candidate has seen the signed outcome."""
