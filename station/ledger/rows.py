"""What is read from a ledger, as plain rows: no SQL in them, and none loaded by them."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any, TypeVar

from calibration.saying import say
from station.crimp.in_force import Judged
from station.crimp.verdict import owed
from station.ledger.chain import Head, utc_time
from station.ledger.entries import JobBegun, JobEnded, JobStep, JobStepOf, Joint

K = TypeVar("K", bound=JobStepOf)
R = TypeVar("R")

_FROM_TEXT: dict[Any, Callable[[str], Any]] = {
    datetime: utc_time,
    date: date.fromisoformat,
    tuple[str, ...]: lambda text: tuple(json.loads(text)),
}
"""How what a table keeps as text is read, by the type of the field."""


def row_of(kind: type[R], columns: Mapping[str, Any]) -> R:
    """Return a row of this kind, from a table that has a column for each of its fields."""
    values: dict[str, Any] = {}
    for field in fields(kind):  # type: ignore[arg-type]  # there is no public type for dataclasses
        value = columns[field.name]
        read = _FROM_TEXT.get(field.type)
        values[field.name] = value if read is None else read(value)
    return kind(**values)


LOT_WORDS = {
    "terminal_lot": say("terminals"),
    "sleeve_lot": say("sleeves"),
    "tool_serial": say("tool no."),
}
"""What stands before a lot's name, by the field that holds it."""

IMPORTED = "imported"
"""The job of samples that were measured elsewhere: it marks them wherever samples are shown."""


@dataclass(frozen=True)
class SampleRow:
    """A sample as it stands now, corrections included; SI units throughout.

    Time, person and description are those of the finish, once finished. Until then the verdict and
    everything measured are None.
    """

    begun_seq: int
    finished_seq: int | None
    sample_id: str
    at_utc: datetime
    person: str
    job: str
    connector: str
    wires: tuple[str, ...]
    material: str
    tool: str
    nest: str
    joint_key: str
    limit_set: str | None
    limit_standing: str | None
    verdict: str | None
    void_reason: str | None
    splice_ohm: float | None
    splice_u_ohm: float | None
    peak_n: float | None
    """Of a pull to the end only, and of the wire usually pulled: what charts may show together."""
    peak_u_n: float | None
    pull_limit_n: float | None
    failure_mode: str | None
    trace_sha256: str | None
    demo: bool
    simulated: bool
    replaces: str | None
    meter: str | None
    tester: str | None
    job_id: str | None = None
    step: str | None = None
    void_by: str | None = None
    measured_verdict: str | None = None
    """What the measured values say, even where the sample is void; None where there are none."""
    not_judged: tuple[str, ...] = ()
    only: Judged | None = None
    condemned_by: tuple[str, ...] = ()
    """These three as in `SampleFinished`."""
    pull_begun_seq: int | None = None
    """Entry at which its pull began; None where it never did, or for records from before that."""
    pull_end: str | None = None
    """How its first pull was made; None where none is on record, or for rows from before that."""
    held_n: float | None = None
    held_s: float | None = None
    terminal_lot: str | None = None
    sleeve_lot: str | None = None
    tool_serial: str | None = None
    reels: tuple[str, ...] = ()
    """These four as in `SampleBegun`."""
    crimp_height_m: float | None = None
    crimp_height_u_m: float | None = None
    crimp_width_m: float | None = None
    crimp_width_u_m: float | None = None

    @property
    def lots(self) -> tuple[tuple[str, str], ...]:
        """What it is made of and with, as far as that is named: each what, and which."""
        named = [(what, getattr(self, field)) for field, what in LOT_WORDS.items()]
        named += [(say("reel"), name) for name in dict.fromkeys(self.reels)]
        return tuple((what, name) for what, name in named if name)

    @property
    def entered_seq(self) -> int:
        """The entry that its time is from."""
        return self.finished_seq or self.begun_seq

    @property
    def joint(self) -> Joint:
        """What it is comparable by."""
        return Joint(
            connector=self.connector, wires=self.wires, material=self.material, tool=self.tool,
            nest=self.nest,
        )  # fmt: skip

    @property
    def pulled(self) -> bool:
        """Whether a force of it is on record."""
        return self.peak_n is not None or self.pull_end is not None

    @property
    def unjudged(self) -> bool:
        """Whether it did not fail, and something was not judged that a pass needs."""
        return self.verdict == "undecided" and bool(owed(self.not_judged, self.only))

    @property
    def imported(self) -> bool:
        """Whether it was measured elsewhere."""
        return self.job == IMPORTED


@dataclass(frozen=True)
class PersonRow:
    """A person who may stand at the bench, with the role given last; not active: has left."""

    name: str
    role: str
    at_utc: datetime
    demo: bool
    active: bool = True


@dataclass(frozen=True)
class DoorRow:
    """One line of the audit: a sign-in, a failure, a refusal or a change of people."""

    seq: int
    at_utc: datetime
    event: str
    about: str
    person: str
    way: str | None
    address: str | None
    detail: str
    demo: bool


@dataclass(frozen=True)
class ToolRow:
    """A crimp tool and its nests, as described last."""

    tool: str
    description: str
    nests: tuple[str, ...]
    at_utc: datetime
    demo: bool
    serial: str | None = None


@dataclass(frozen=True)
class ServiceRow:
    """A service of a tool, or of one nest of it; ``nest`` None means the whole tool."""

    seq: int
    at_utc: datetime
    person: str
    tool: str
    nest: str | None
    action: str
    demo: bool


@dataclass(frozen=True)
class ToolLookRow:
    """A look at the tool itself, as in `ToolLookedAt`."""

    seq: int
    at_utc: datetime
    person: str
    tool: str
    nest: str
    gauge: bool | None
    ratchet: bool
    jaws: bool
    demo: bool


@dataclass(frozen=True)
class PhotoRow:
    """A photo of a sample, as in `PhotoTaken`; of a dropped one the picture is gone."""

    seq: int
    at_utc: datetime
    person: str
    sample_id: str
    sha256: str
    size_bytes: int
    dropped: bool


@dataclass(frozen=True)
class Counts:
    """How much is on record; ``verdicts`` counts samples that have one, by verdict."""

    entries: int
    samples: int
    unfinished: int
    verdicts: Mapping[str, int]


@dataclass(frozen=True)
class JobRow:
    """A job on one line; ``ended_seq`` and ``outcome`` are None while it is open."""

    begun_seq: int
    job_id: str
    job: str
    plan_id: str
    at_utc: datetime
    person: str
    ended_seq: int | None
    outcome: str | None
    demo: bool


@dataclass(frozen=True)
class StepTaken:
    """A step of a job: who did what, when."""

    seq: int
    entry_id: str
    at_utc: datetime
    person: str
    step: JobStep | JobStepOf


@dataclass(frozen=True)
class JobRecord:
    """All that is on record of one job. Its progress is a function of this and nothing else.

    Attributes
    ----------
    steps
        In order.
    samples
        Those made for this job, in the order in which they were begun, unfinished ones too.
    ended
        The outcome; None while the job is open.
    head
        That of the whole record when this was read.
    """

    row: JobRow
    begun: JobBegun
    steps: tuple[StepTaken, ...]
    samples: tuple[SampleRow, ...]
    ended: JobEnded | None = None
    ended_at_utc: datetime | None = None
    ended_by: str | None = None
    head: Head | None = None

    def steps_named(self, step: str) -> list[StepTaken]:
        """Return the steps of this name, in order."""
        return [taken for taken in self.steps if taken.step.step == step]

    def steps_of(self, kind: type[K]) -> list[K]:
        """Return the steps of a kind of its own, in order, those from before it was one too."""
        return [
            kind.model_validate(
                {**taken.step.content, "job_id": taken.step.job_id, "demo": taken.step.demo}
            )
            for taken in self.steps_named(kind.STEP)
        ]


@dataclass(frozen=True)
class HoldRow:
    """A nest that was held; ``released_seq`` is None while it still is."""

    held_seq: int
    at_utc: datetime
    person: str
    tool: str
    nest: str
    reason: str
    needs: str
    job_id: str | None
    released_seq: int | None
    demo: bool


@dataclass(frozen=True)
class NestCheckRow:
    """What a daily check found of one nest."""

    seq: int
    at_utc: datetime
    person: str
    job_id: str
    tool: str
    nest: str
    outcome: str
    needs: str
    demo: bool


@dataclass(frozen=True)
class WorkRow:
    """A line of the work log."""

    seq: int
    day: date
    at_utc: datetime
    person: str
    work_order: str
    tool: str
    nest: str
    note: str
    demo: bool
