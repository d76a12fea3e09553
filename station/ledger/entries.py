"""What the ledger can hold: one pydantic model per kind of entry.

A payload is validated before it is written and after it is read. A kind gains a new ``VERSION``
when a field changes its meaning; readers keep the older models, so that an entry written years ago
still says what it said. All quantities are SI; ``u`` is one standard uncertainty.
"""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, JsonValue

VerdictWord = Literal["pass", "fail", "undecided", "void"]
JobName = Literal["daily_check", "tool_validation", "certification", "comparison"]
VoidBy = Literal["instrument", "person"]
FiniteFloat = Annotated[float, Field(allow_inf_nan=False)]


NEST_OUTCOME = "nest_outcome"
"""Name of the step of a daily check that records what was found of one nest."""


class Recorded(BaseModel):
    """Base of all that is recorded: frozen, no unknown fields, no NaN or infinity.

    Every instance has passed its validation, since pydantic's two ways around that are closed; so
    what is written need not be read back to know that it can be.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @classmethod
    def model_construct(  # type: ignore[override]  # mypy's plugin sees one without fields
        cls, _fields_set: set[str] | None = None, **values: Any
    ) -> Self:
        """Return an instance of these values, validated like any other."""
        return cls.model_validate(values)

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:  # noqa: ARG002
        """Return an instance with some values changed, validated like any other."""
        return type(self).model_validate({**dict(self), **(update or {})})


class Payload(Recorded):
    """Base of all payloads."""

    KIND: ClassVar[str]
    VERSION: ClassVar[int] = 1

    demo: bool = False
    """True for invented records; every page and report that shows one says so."""


class PersonAdded(Payload):
    """A person who may stand at the bench."""

    KIND: ClassVar[str] = "person_added"

    name: str
    role: Literal["apprentice", "installer", "lead"]


class RoleChanged(Payload):
    """A person has another role from now on."""

    KIND: ClassVar[str] = "role_changed"

    name: str
    was: str
    role: Literal["apprentice", "installer", "lead"]
    reason: str = ""


class PersonLeft(Payload):
    """A person no longer works at the bench; what they did stays theirs."""

    KIND: ClassVar[str] = "person_left"

    name: str
    reason: str = ""


class PersonPrefers(Payload):
    """How a person likes to read the page: language and units. Changes nothing that is recorded."""

    KIND: ClassVar[str] = "person_prefers"

    name: str
    choices: dict[str, str]


DoorWord = Literal[
    "signed_in", "sign_in_failed", "locked_out", "signed_out", "secret_set", "code_shown", "refused"
]


class DoorEvent(Payload):
    """Somebody signed in, failed to, or was refused. Never holds a secret or part of one."""

    KIND: ClassVar[str] = "door_event"

    event: DoorWord
    about: str
    """Whose door it is; a stand-in where a name that is not on record was given."""
    way: Literal["bench", "network", "command"]
    """The page on this machine, the page from another one, or the command line."""
    address: str | None = None
    detail: str = ""


class ToolAdded(Payload):
    """A crimp tool and the nests (die cavities) it has."""

    KIND: ClassVar[str] = "tool_added"

    tool: str
    description: str
    nests: tuple[str, ...]


class ToolServiced(Payload):
    """A service of a tool or nest: new die, adjustment. Trends start again after it."""

    KIND: ClassVar[str] = "tool_serviced"

    tool: str
    nest: str | None
    action: str


class Joint(Recorded):
    """What makes samples comparable: connector, wires and the nest that crimped them."""

    connector: str
    """Identifier of the connector in ``station/data/connectors``."""
    wires: tuple[str, ...]
    """Canonical wire sizes, one per wire, e.g. ``("18 AWG", "18 AWG")``."""
    material: str = "copper"
    tool: str
    nest: str

    @property
    def key(self) -> str:
        """Text that is equal for comparable samples."""
        parts = (self.connector, "+".join(self.wires), self.material, self.tool, self.nest)
        return " | ".join(parts)


class InstrumentUsed(Recorded):
    """Which instrument made a number, as it named itself."""

    profile: str
    identity: str
    port: str
    simulated: bool = False
    calibration_id: str | None = None
    """The ``instrument_calibrated`` entry in force, if any."""
    calibration_state: str | None = None
    """What its calibration and checks said then: a :class:`calibration.records.State`."""
    reading_corrected: bool = False
    """True where the calibration's line and uncertainty took the place of the specification."""

    @property
    def name(self) -> str:
        """How the record calls it: as it names itself, else by its profile."""
        return self.identity or self.profile


class BudgetLine(Recorded):
    """One contribution to an uncertainty, in the unit of the result."""

    name: str
    u: float
    dof: float | None
    """Degrees of freedom; null for infinitely many."""


class ResistanceResult(Recorded):
    """A reading and what it was reduced to. Raw, wire share and splice are all kept."""

    repeats_ohm: tuple[float, ...]
    reading_ohm: float
    span_m: tuple[float, ...]
    wire_share_ohm: float
    splice_ohm: float
    u_ohm: float
    effective_dof: float | None
    budget: tuple[BudgetLine, ...]
    temperature_c: float | None
    """Null where no thermometer was at hand: the wire share is then not corrected."""
    method: Literal["by_length", "by_reference"]
    thermal_cancelled: str | None = None
    """How thermal voltages were cancelled: ``no``, ``offset compensation`` or ``delta``."""
    zero_age_s: float | None = None
    """How old the meter's last good zero check was; null without one since the station started."""
    instrument: InstrumentUsed


class PullResult(Recorded):
    """A pull reduced to its peak, and where the trace is kept."""

    peak_n: float
    u_n: float
    raw_peak_n: float | None = None
    """The peak as the tester said it, where ``peak_n`` was corrected."""
    effective_dof: float | None = None
    """Of ``u_n``; null for infinitely many."""
    budget: tuple[BudgetLine, ...] = ()
    peak_time_s: float
    loading_rate_n_per_s: float | None
    peak_may_be_low_by_n: float
    """One-sided: the true peak lies between ``peak_n`` and ``peak_n`` plus this."""
    drops: int
    ended_by: str
    suggested_mode: str | None
    suggestion_reasons: tuple[str, ...] = ()
    failure_mode: str | None
    """The operator's choice; the software only suggests."""
    trace_sha256: str | None
    register_peak_n: float | None = None
    """The tester's own peak register; null where it has none."""
    peak_from: Literal["trace", "register"] = "trace"
    """Which of the two is the peak that was judged."""
    time_from: str | None = None
    """The trace's time axis: ``counter``, ``device``, ``arrival`` or ``polls``."""
    lost_samples: int | None = None
    """Samples known to be missing in the trace."""
    unit_assumed: bool | None = None
    """True where the tester names no unit and its profile says which it means."""
    guard: Literal["closed", "not watched"] | None = None
    """What the panel saw of the guard while it was pulled. Information, never a safety function."""
    instrument: InstrumentUsed


class CriterionResult(Recorded):
    """One comparison with one limit."""

    criterion: str
    unit: str
    value: float | None
    u: float | None
    limit: float
    verdict: VerdictWord
    probability_conforming: float | None


class SampleBegun(Payload):
    """A sample was described and taken up. Its ``id`` is the sample's; it must be finished."""

    KIND: ClassVar[str] = "sample_begun"

    job: str
    joint: Joint
    limit_set: str
    offered_again_for: str | None = None
    """The id of an interrupted sample that this one replaces."""
    overridden_warning: str | None = None
    """The warning about a wrong barrel that the person was given and overrode."""
    job_id: str | None = None
    """The ``job_begun`` entry that this sample is made for; null for a sample of its own."""
    step: str | None = None
    """Where in the job's plan it belongs."""


class PullBegun(Payload):
    """The pull of a sample began: from here on somebody may have seen what it holds."""

    KIND: ClassVar[str] = "pull_begun"

    sample_id: str


class SampleFinished(Payload):
    """A sample's readings and verdict, in one entry and one transaction."""

    KIND: ClassVar[str] = "sample_finished"

    sample_id: str
    """The id of the ``sample_begun`` entry."""
    job: str
    joint: Joint
    limit_set: str
    limit_standing: str
    guard: float
    checklist: dict[str, bool] = {}
    resistance: ResistanceResult | None
    pull: PullResult | None
    criteria: tuple[CriterionResult, ...]
    verdict: VerdictWord
    void_reason: str | None = None
    overridden_warning: str | None = None
    """As in ``sample_begun``: this sample was made in a barrel that is not for its wires."""
    job_id: str | None = None
    step: str | None = None
    void_by: VoidBy | None = None
    """Who called it void: what the instruments or the trace say, or a person's word alone."""


class JobBegun(Payload):
    """A job was taken up. Its ``id`` is the job's; all that belongs to it names that."""

    KIND: ClassVar[str] = "job_begun"

    job: JobName
    plan_id: str
    plan: dict[str, JsonValue]
    """The whole plan in force, so that a later change of its file changes nothing here."""
    scope: dict[str, JsonValue]
    """What the job is about: tools, nests, joints, a candidate."""


class JobStep(Payload):
    """Anything done in a job besides a sample: a check of the bench, a sign-off, a finding."""

    KIND: ClassVar[str] = "job_step"

    job_id: str
    step: str
    content: dict[str, JsonValue] = {}


class JobEnded(Payload):
    """A job came to its outcome. Nothing can be added to it afterwards."""

    KIND: ClassVar[str] = "job_ended"

    job_id: str
    outcome: str
    reasons: tuple[str, ...]
    figures: dict[str, JsonValue] = {}
    valid_until: date | None = None
    """Last day on which a certificate holds; null for jobs that give none."""
    scope: dict[str, JsonValue] = {}
    """What a certificate covers."""
    signatures: tuple[str, ...] = ()
    record_hash: str | None = None
    """Hash of the job's record up to here, to look a paper up by."""


class NestHeld(Payload):
    """A nest must not be used until a lead releases it."""

    KIND: ClassVar[str] = "nest_held"

    tool: str
    nest: str
    reason: str
    job_id: str | None = None
    needs: Literal["service", "lead"] = "service"
    """What has to come before its release: service and a new baseline, or a lead's look alone."""


class NestReleased(Payload):
    """A held nest may be used again."""

    KIND: ClassVar[str] = "nest_released"

    tool: str
    nest: str
    reason: str
    job_id: str | None = None


class WorkDone(Payload):
    """Work that left the shop was crimped in this nest on this day."""

    KIND: ClassVar[str] = "work_done"

    day: date
    work_order: str
    tool: str
    nest: str
    note: str = ""


class SampleImported(Payload):
    """A sample that was measured and, where so, judged elsewhere; its own id is the sample's."""

    KIND: ClassVar[str] = "sample_imported"

    source: str
    """Name of the table it comes from."""
    source_sha256: str
    row: int
    """Counted as a spreadsheet does, the heading being row 1."""
    measured_at: datetime
    measured_by: str
    joint: Joint
    limit_set: str = ""
    splice_ohm: float | None = None
    splice_u_ohm: float | None = None
    peak_n: float | None = None
    peak_u_n: float | None = None
    failure_mode: str | None = None
    verdict: VerdictWord | None = None
    """As they judged it; null where they did not."""
    note: str = ""


class BaselineSet(Payload):
    """The baseline of a joint, from the samples that validated the tool: frozen, versioned."""

    KIND: ClassVar[str] = "baseline_set"

    joint: Joint
    baseline_version: int
    n: int
    force_ratio_center: float
    force_ratio_sigma: float
    log_resistance_center: float
    log_resistance_sigma: float
    sample_ids: tuple[str, ...]


class Correction(Payload):
    """A later word about an earlier entry; the earlier one stays as it is."""

    KIND: ClassVar[str] = "correction"

    corrects_id: str
    reason: str
    void_sample: bool = False
    failure_mode: str | None = None


class PointTaken(Recorded):
    """One calibration point in SI: the reference, its uncertainty, and what was read."""

    reference: float
    u_reference: float
    reading: float


class InstrumentCalibrated(Payload):
    """An instrument was calibrated, here or by a laboratory."""

    KIND: ClassVar[str] = "instrument_calibrated"

    role: Literal["meter", "tester"]
    instrument: str
    """As it names itself: the ``identity`` of :class:`InstrumentUsed`."""
    certificate: str
    reference: str
    """The standards used, with their own certificates."""
    calibrated_by: str
    calibrated_on: date
    due_on: date
    as_found: tuple[PointTaken, ...]
    as_left: tuple[PointTaken, ...] = ()
    """Empty where nothing was adjusted."""
    temperature_c: float | None = None
    drift_fraction: float = 0.0
    """Bound of its drift until it is due, as a fraction of the reading."""
    accepted: bool = True
    """False where it did not meet what was asked of it: then it counts as failed."""
    class_found: str | None = None
    class_left: str | None = None
    """Best class of a tester by its points, with the scheme; null for a meter or no class."""
    note: str = ""


class InstrumentChecked(Payload):
    """A look at a known standard at the bench: zero, resistor, weight or wire."""

    KIND: ClassVar[str] = "instrument_checked"

    role: Literal["meter", "tester"]
    instrument: str
    check: Literal["zero", "resistor", "weight", "wire"]
    standard: str
    """Which one; empty for a zero."""
    expected: float
    limit: float
    """How far from ``expected`` the value may lie."""
    readings: tuple[float, ...]
    value: float
    """Mean of the readings."""
    chart_lower: float
    chart_upper: float
    """Limits of the check's chart when it was judged."""
    passed: bool
    reason: str | None = None


class StudyTurn(Recorded):
    """One measurement of a gauge study: a :class:`calibration.study_plan.Turn`."""

    appraiser: str
    part: str
    trial: int = 1
    batch: str = ""


class StudyBegun(Payload):
    """A gauge study was planned. Its ``id`` is the study's; its turns are read in this order."""

    KIND: ClassVar[str] = "study_begun"

    study: Literal["crossed", "reclip", "nested"]
    title: str
    role: Literal["meter", "tester"]
    instrument: str
    turns: tuple[StudyTurn, ...]
    seed: int | None
    """What the order was drawn with; null where it was not."""
    limit: float | None = None
    """Where good must be told from bad; null where no limit was named."""
    side: Literal["upper", "lower"]
    """Whether values must stay at most or at least at the limit."""


class StudyReading(Payload):
    """One turn of a gauge study was measured."""

    KIND: ClassVar[str] = "study_reading"

    study_id: str
    """The id of the ``study_begun`` entry."""
    turn: int
    """Place in its turns, from 0."""
    readings: tuple[FiniteFloat, ...]
    value: float
    """Mean of the readings."""
    instrument: str
    reason: str = ""
    """Why it was measured again; then it replaces what the turn had."""


class StudyDropped(Payload):
    """A gauge study was given up; what was read stays on record."""

    KIND: ClassVar[str] = "study_dropped"

    study_id: str
    reason: str


KINDS: dict[str, type[Payload]] = {
    model.KIND: model
    for model in (
        PersonAdded,
        RoleChanged,
        PersonLeft,
        PersonPrefers,
        DoorEvent,
        ToolAdded,
        ToolServiced,
        SampleBegun,
        PullBegun,
        SampleFinished,
        SampleImported,
        JobBegun,
        JobStep,
        JobEnded,
        NestHeld,
        NestReleased,
        WorkDone,
        BaselineSet,
        Correction,
        InstrumentCalibrated,
        InstrumentChecked,
        StudyBegun,
        StudyReading,
        StudyDropped,
    )
}
"""Every kind that may be written, by name."""
