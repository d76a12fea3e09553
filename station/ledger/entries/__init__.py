"""What the ledger can hold: one pydantic model per kind of entry.

A payload is validated before it is written and after it is read. A kind gains a new ``VERSION``
when a field changes its meaning; readers keep the older models, so that an entry written years ago
still says what it said. All quantities are SI; ``u`` is one standard uncertainty.
"""

from station.ledger.entries.base import Payload, Recorded
from station.ledger.entries.instruments import InstrumentCalibrated, InstrumentChecked, PointTaken
from station.ledger.entries.jobs import (
    NEST_OUTCOME,
    CodeFor,
    CodesDrawn,
    JobBegun,
    JobEnded,
    JobName,
    JobStep,
    JobStepOf,
    KeyOpened,
    KeyShown,
    OutcomeSeen,
    OutcomeSigned,
    SampleLookedAt,
)
from station.ledger.entries.people import (
    DoorEvent,
    DoorWord,
    PersonAdded,
    PersonLeft,
    PersonPrefers,
    RoleChanged,
)
from station.ledger.entries.samples import (
    BudgetLine,
    Correction,
    CriterionResult,
    InstrumentUsed,
    PhotoDropped,
    PhotoTaken,
    PullBegun,
    PullResult,
    ResistanceResult,
    SampleBegun,
    SampleFinished,
    SampleImported,
    SizeResult,
    VerdictWord,
    VoidBy,
)
from station.ledger.entries.studies import (
    FiniteFloat,
    StudyBegun,
    StudyDropped,
    StudyReading,
    StudyTurn,
)
from station.ledger.entries.tools import (
    BaselineSet,
    Joint,
    NestHeld,
    NestReleased,
    ToolAdded,
    ToolLookedAt,
    ToolServiced,
    WorkDone,
)
from station.ledger.entries.wire import BenchTemperature, LotInUse, ReelAdded, ReelMeasured, ReelOut

KINDS: dict[str, type[Payload]] = {
    model.KIND: model
    for model in (
        PersonAdded, RoleChanged, PersonLeft, PersonPrefers, DoorEvent, ToolAdded, ToolServiced,
        SampleBegun, PullBegun, SampleFinished, SampleImported, JobBegun, JobStep, JobEnded,
        NestHeld, NestReleased, WorkDone, BaselineSet, Correction, InstrumentCalibrated,
        InstrumentChecked, StudyBegun, StudyReading, StudyDropped, CodesDrawn, KeyOpened, KeyShown,
        SampleLookedAt, OutcomeSigned, OutcomeSeen, ReelAdded, ReelMeasured, ReelOut,
        BenchTemperature, LotInUse, ToolLookedAt, PhotoTaken, PhotoDropped,
    )
}  # fmt: skip
"""Every kind that may be written, by name."""
