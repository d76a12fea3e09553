"""Entries about samples, and what was measured of them."""

from datetime import datetime
from typing import Literal

from pydantic import Field

from calibration.saying import say
from station.crimp.in_force import Judged
from station.crimp.limits import SizeCriterion, limit_words
from station.crimp.pull import PullEnd
from station.crimp.verdict import Part
from station.crimp.wire import weakest_wire
from station.ledger.entries.base import Payload, Recorded
from station.ledger.entries.tools import Joint

VerdictWord = Literal["pass", "fail", "undecided", "void"]


VoidBy = Literal["instrument", "person"]


class InstrumentUsed(Recorded):
    """Which instrument made a number, as it named itself."""

    profile: str
    identity: str
    port: str
    simulated: bool = False
    calibration_id: str | None = None
    """The ``instrument_calibrated`` entry in force, if any."""
    calibration_state: str | None = None
    """What its calibration and checks said: a :class:`calibration.standing.CalibrationState`."""
    reading_corrected: bool = False
    """True where the calibration's line and uncertainty took the place of the specification."""

    @property
    def name(self) -> str:
        """How the record calls it: as it names itself, else by its profile."""
        return self.identity or self.profile

    @property
    def doubted(self) -> bool:
        """Whether no calibration of it was in force; False where nothing was noted."""
        return self.calibration_state not in (None, "valid", "due soon")


_HOW: dict[PullEnd, str] = {
    "destructive": say("to the end"), "hold": say("as a hold"), "at_least": say("not to the end")
}  # fmt: skip


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
    wire_share_from: Literal["reel", "reference", "band", "nominal"] = "nominal"
    """What the wire's share rests on: the measured reel, a reference reading of the same span, the
    band that the wire's standard allows, or, in older records, the nominal metal of its size."""
    temperature_from: str = ""
    """Where the temperature is from, in words; empty in older records and without one."""
    thermal_cancelled: str | None = None
    """How thermal voltages were cancelled: ``no``, ``offset compensation`` or ``delta``."""
    test_current_a: float | None = None
    """As the meter's profile states it: one range, so the same for all repeats."""
    same_as_before: bool = False
    """True where every repeat was, to the last digit, what was read of the sample before."""
    zero_age_s: float | None = None
    """How old the meter's last good zero check was; null without one since the station started."""
    instrument: InstrumentUsed


class SizeResult(Recorded):
    """The height or width of a crimp, measured before it was pulled."""

    criterion: SizeCriterion
    readings_m: tuple[float, ...]
    value_m: float
    """Their mean."""
    u_m: float
    effective_dof: float | None
    budget: tuple[BudgetLine, ...]
    stated_in: str
    """Where the caliper's accuracy is from."""
    typed: bool = True
    """False where the caliper itself sent it."""


class Pulled(Recorded):
    """Which wire of a joint was pulled, and how."""

    wire: int | None = None
    """Its place among the joint's wires, from 0; null in records from before it was named."""
    size: str = ""
    end: PullEnd = "destructive"
    held_s: float | None = None
    """For how long a hold's force was held."""

    @property
    def how_pulled(self) -> str:
        """Which wire was pulled, and how; nothing where none is named."""
        if self.wire is None:
            return ""
        wire = {"number": self.wire + 1, "size": self.size}
        return say("Pulled: wire {number} ({size}), {how}.", how=_HOW[self.end], **wire)

    def is_charted(self, joint: Joint) -> bool:
        """Whether charts show it: pulled to the end, by a wire like the one usually pulled."""
        usual = not self.size or self.size == weakest_wire(joint.wires).label
        return usual and self.end == "destructive"


class PullResult(Pulled):
    """A pull reduced to its peak, and where the trace is kept."""

    peak_n: float
    u_n: float
    """Of ``held_n`` where there is one, else of ``peak_n``."""
    held_n: float | None = None
    """What a hold, or a pull not made to the end, showed that the sample bears."""
    void_reason: str | None = None
    """Why a further pull does not count; null where it does, or where the sample says it."""
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
    may_have_slipped: bool | None = None
    """Whether the trace made the page ask for the grips; null where that was not looked for."""
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
    struck_out: int = 0
    """Samples left out of it because no pull could bring them."""
    unit_assumed: bool | None = None
    """True where the tester names no unit and its profile says which it means."""
    guard: Literal["closed", "not watched"] | None = None
    """What the panel saw of the guard while it was pulled. Information, never a safety function."""
    crosshead_mm_per_min: float | None = None
    """How fast the stand moved; null where it does not state it."""
    insulation_grip: Literal["included", "excluded"] | None = None
    """Whether the insulation grip was pulled too; null where that is not stated."""
    instrument: InstrumentUsed


class CriterionResult(Pulled):
    """One comparison with one limit; of a pull, which wire it was and how it was made."""

    criterion: str
    unit: str
    value: float | None
    u: float | None
    limit: float
    """Of a crimp's size, its target."""
    tolerance: float | None = None
    """What that may be off by on either side; null for any other limit."""
    verdict: VerdictWord
    probability_conforming: float | None
    note: str = ""
    """Where value and limit are not quite the same thing, in a sentence."""
    set_id: str = ""
    """The limit set; empty in records from before each limit was named."""
    source: str = ""
    edition: str = ""
    standing: str = ""
    """How well this very value is known: that of its row."""
    conditions: str = ""
    test_current_a: float | None = None
    """The current at which a voltage drop was computed from the resistance."""

    @property
    def words(self) -> str:
        """Which limit it is; nothing in records from before each limit was named."""
        named = self.set_id, self.source, self.edition, self.standing, self.conditions
        return limit_words(*named) if self.set_id else ""


class SampleBegun(Payload, kind="sample_begun"):
    """A sample was described and taken up. Its ``id`` is the sample's; it must be finished."""

    job: str
    joint: Joint
    limit_set: str | None = None
    """A set that alone was asked for; null for the limits in force."""
    offered_again_for: str | None = None
    """The id of an interrupted sample that this one replaces."""
    overridden_warning: str | None = None
    """The warning about a wrong barrel that the person was given and overrode."""
    job_id: str | None = None
    """The ``job_begun`` entry that this sample is made for; null for a sample of its own."""
    step: str | None = None
    """Where in the job's plan it belongs."""
    reels: tuple[str, ...] = ()
    """The reel of each wire of the joint, in their order; empty where none is named."""
    terminal_lot: str | None = None
    """Which lot the terminal, the sleeve and the tool were of; null where none is named."""
    sleeve_lot: str | None = None
    tool_serial: str | None = None
    pull_wire: int | None = None
    """Which wire was to be pulled, by its place in the joint; null for the thinnest."""
    hold: bool = False
    """Whether the force was to be held."""


class PullBegun(Payload, kind="pull_begun"):
    """The pull of a sample began: from here on somebody may have seen what it holds."""

    sample_id: str


class SampleFinished(Payload, kind="sample_finished"):
    """A sample's readings and verdict, in one entry and one transaction."""

    sample_id: str
    """The id of the ``sample_begun`` entry."""
    job: str
    joint: Joint
    limit_set: str | None = None
    """As in ``sample_begun``; each criterion names its own."""
    limit_standing: str
    guard: float
    checklist: dict[str, bool] = Field(default={})
    resistance: ResistanceResult | None
    pull: PullResult | None
    further_pulls: tuple[PullResult, ...] = ()
    """Of the joint's other wires, where those were pulled as well."""
    sizes: tuple[SizeResult, ...] = ()
    """Height and width, where they were measured."""
    criteria: tuple[CriterionResult, ...]
    verdict: VerdictWord
    void_reason: str | None = None
    overridden_warning: str | None = None
    """As in ``sample_begun``: this sample was made in a barrel that is not for its wires."""
    job_id: str | None = None
    step: str | None = None
    reels: tuple[str, ...] = ()
    """This and the next three as in ``sample_begun``."""
    terminal_lot: str | None = None
    sleeve_lot: str | None = None
    tool_serial: str | None = None
    void_by: VoidBy | None = None
    """Who called it void: what the instruments or the trace say, or a person's word alone."""
    not_judged: tuple[Part, ...] = ()
    """What nobody judged of what a pass needs; empty in records from before that was asked."""
    only: Judged | None = None
    """What alone was judged, in a shop without the other instrument."""
    condemned_by: tuple[str, ...] = ()
    """What was seen that condemns the crimp whatever it measures, in sentences."""

    @property
    def pulls(self) -> tuple[PullResult, ...]:
        """Every pull of it, in order."""
        return () if self.pull is None else (self.pull, *self.further_pulls)

    @property
    def used(self) -> tuple[InstrumentUsed, ...]:
        """What its numbers were measured with."""
        read = () if self.resistance is None else (self.resistance.instrument,)
        return (*(pull.instrument for pull in self.pulls), *read)


class SampleImported(Payload, kind="sample_imported"):
    """A sample that was measured and, where so, judged elsewhere; its own id is the sample's."""

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


class PhotoTaken(Payload, kind="photo_taken"):
    """A photo of a sample, cleaned of all but the picture, which is kept beside the traces."""

    sample_id: str
    sha256: str
    """Of the JPEG file."""
    size_bytes: int


class PhotoDropped(Payload, kind="photo_dropped"):
    """A photo was let go. What said that it was taken stays; verify misses it no more."""

    sha256: str
    reason: str


class Correction(Payload, kind="correction"):
    """A later word about an earlier entry; the earlier one stays as it is."""

    corrects_id: str
    reason: str
    void_sample: bool = False
    failure_mode: str | None = None
