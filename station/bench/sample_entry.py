"""From measured numbers to what the ledger keeps of a sample: pure, used live and for the demo."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from calibration.uncertainty import Budget, Contribution, repeatability
from calibration.worth import ForceWorth, OhmWorth, corrects, force_budget, reading_budget
from station.bench.between import BetweenClips
from station.crimp.in_force import Judged
from station.crimp.limits import FORCES, Limit, LimitSets, SizeCriterion
from station.crimp.pull import PullEnd
from station.crimp.pull.reduce import PullReduction
from station.crimp.resistance import SpliceResistance, reduce_by_length, reduce_by_reference
from station.crimp.verdict import (
    Judgement,
    Measured,
    Verdict,
    guard_factor,
    judge_sample,
    parts_not_judged,
    verdict_of,
)
from station.crimp.wire import material_named, parse_size, weakest_wire
from station.errors import BadInput, NoLimit
from station.instruments.bay import BayMeter, InstrumentLine
from station.instruments.pull_tester import ForceTrace
from station.jobs.certification.record import JOB as CERTIFICATION
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import (
    BudgetLine,
    CriterionResult,
    InstrumentUsed,
    Joint,
    PullResult,
    ResistanceResult,
    SampleBegun,
    SampleFinished,
    SizeResult,
    VoidBy,
)
from station.settings import CaliperSettings, FixtureSettings


@dataclass(slots=True)
class Results:
    """What was measured of a sample, and why it is void, if it is."""

    resistance: ResistanceResult | None = None
    pull: PullResult | None = None
    void_reason: str | None = None
    void_by: VoidBy = "instrument"
    further_pulls: list[PullResult] = field(default_factory=list)
    sizes: tuple[SizeResult, ...] = ()


def instrument_used(line: InstrumentLine) -> InstrumentUsed:
    """What the record says of the instrument that made a number."""
    return InstrumentUsed(
        profile=line.profile, identity=line.identity or "", port=line.port, simulated=line.simulated
    )


def reduce_reading(
    repeats_ohm: Sequence[float], worth: OhmWorth, joint: Joint, between: BetweenClips
) -> SpliceResistance:
    """Reduce the repeats of a sample to its splice, by the best that is known of its wire.

    A sample is clipped on once, and its repeats never see what clipping on anew would change: the
    fixture's re-clipping study stands for that in the budget.
    """
    fixture, temperature = between.fixture, between.temperature
    reclip = Contribution("re-clipping", fixture.u_reclip_ohm, fixture.reclip_dof or math.inf)
    replaced_m = between.connector.replaces_wire_mm * 1e-3
    reference = between.reference()
    if reference is None:
        mean, lines = reading_budget(repeats_ohm, worth)
        return reduce_by_length(
            mean,
            [*lines, reclip],
            between.spans(joint),
            temperature_c=temperature.celsius,
            u_temperature_k=temperature.u_k,
            replaced_m=replaced_m,
        )
    # Both readings as they came: the meter's error of scale acts on their difference alone.
    raw = replace(worth, line=None, percent_of_reading=0.0)
    mean, lines = reading_budget(repeats_ohm, raw)
    return reduce_by_reference(
        mean,
        [*lines, reclip],
        reference,
        span_m=between.span_m,
        u_span_m=fixture.u_span_m,
        u_scale_fraction=worth.percent_of_reading / 100.0 / math.sqrt(3.0),
        material=material_named(joint.material),
        temperature_c=temperature.celsius,
        u_temperature_k=temperature.u_k,
        replaced_m=replaced_m,
    )


def resistance_result(
    repeats_ohm: Sequence[float],
    reduced: SpliceResistance,
    between: BetweenClips,
    instrument: InstrumentUsed,
    *,
    meter: BayMeter | None = None,
    zero_age_s: float | None = None,
) -> ResistanceResult:
    """What the ledger keeps of a reading; ``meter`` is None where none was read."""
    last = None if meter is None else meter.last_reading
    return ResistanceResult(
        repeats_ohm=tuple(repeats_ohm),
        reading_ohm=reduced.reading_ohm,
        span_m=(between.span_m,),
        wire_share_ohm=reduced.wire_share_ohm,
        splice_ohm=reduced.splice_ohm,
        u_ohm=reduced.u_ohm,
        effective_dof=_finite(reduced.effective_dof),
        budget=_lines(reduced.budget),
        temperature_c=reduced.temperature_c,
        method="by_reference" if reduced.share_from == "reference" else "by_length",
        wire_share_from=reduced.share_from,
        temperature_from=between.temperature.source,
        thermal_cancelled=None if last is None else last.thermal_cancelled,
        test_current_a=None if meter is None else meter.test_current_a,
        same_as_before=meter is not None and meter.same_as_before,
        zero_age_s=zero_age_s,
        instrument=instrument,
    )


_OF_REDUCTION = (
    "peak_time_s", "loading_rate_n_per_s", "peak_may_be_low_by_n", "drops", "ended_by",
    "suggested_mode", "may_have_slipped", "struck_out",
)  # fmt: skip


def pull_result(
    reduced: PullReduction,
    worth: ForceWorth,
    failure_mode: str | None,
    trace_sha256: str | None,
    instrument: InstrumentUsed,
    *,
    trace: ForceTrace | None = None,
    peak_from: Literal["trace", "register"] = "trace",
    guard: Literal["closed", "not watched"] | None = None,
    fixture: FixtureSettings | None = None,
) -> PullResult:
    """What the ledger keeps of a pull; ``trace`` is None where no tester recorded it."""
    peak_n, budget = force_budget(reduced.peak_n, worth, reduced.peak_u_n)
    return PullResult(
        peak_n=peak_n,
        u_n=budget.u,
        raw_peak_n=reduced.peak_n if corrects(worth, reduced.peak_n) else None,
        effective_dof=_finite(budget.effective_dof),
        budget=_lines(budget),
        suggestion_reasons=reduced.reasons,
        failure_mode=failure_mode,
        trace_sha256=trace_sha256,
        instrument=instrument,
        register_peak_n=None if trace is None else trace.register_peak_n,
        peak_from=peak_from,
        time_from=None if trace is None else trace.time_from,
        lost_samples=None if trace is None else trace.lost_samples,
        unit_assumed=None if trace is None else trace.unit_assumed,
        guard=guard,
        crosshead_mm_per_min=None if fixture is None else fixture.crosshead_mm_per_min,
        insulation_grip=None if fixture is None else fixture.insulation_grip,
        **{name: getattr(reduced, name) for name in _OF_REDUCTION},
    )


def size_result(
    criterion: SizeCriterion, readings_m: Sequence[float], caliper: CaliperSettings, *, typed: bool
) -> SizeResult:
    """What the ledger keeps of a crimp's height or width.

    The caliper's largest error, as it is stated, and its last digit count as rectangular
    distributions (JCGM 100:2008, 4.3.7), the spread of the readings as their mean's (4.2.3).
    """
    value_m, u_repeat, dof = repeatability(readings_m)
    accuracy_m, resolution_m = caliper.accuracy_mm * 1e-3, caliper.resolution_mm * 1e-3
    accuracy = Contribution("caliper accuracy, as stated", accuracy_m / math.sqrt(3.0))
    resolution = Contribution("caliper resolution", resolution_m / math.sqrt(12.0))
    budget = Budget.of([accuracy, resolution, Contribution("repeatability", u_repeat, dof)])
    return SizeResult(
        criterion=criterion,
        readings_m=tuple(readings_m),
        value_m=value_m,
        u_m=budget.u,
        effective_dof=_finite(budget.effective_dof),
        budget=_lines(budget),
        stated_in=caliper.stated_in,
        typed=typed,
    )


def reading_that_shows(force_n: float, worth: ForceWorth, guard: float) -> float:
    """Lowest reading of a tester, in newton, that shows a force with a guard band above it."""
    reading_n = force_n
    for _ in range(5):  # each step leaves less than a fiftieth of what the one before left
        shown_n, budget = force_budget(reading_n, worth)
        reading_n += force_n + guard_factor(guard, budget.effective_dof) * budget.u - shown_n
    return reading_n


def bearing(
    pull: PullResult, end: PullEnd, reading_n: float, worth: ForceWorth, held_s: float | None = None
) -> PullResult:
    """A pull that shows what its sample bears, and not where it lets go."""
    held_n, budget = force_budget(reading_n, worth)
    shown = {"end": end, "held_n": held_n, "held_s": held_s, "u_n": budget.u}
    dof = _finite(budget.effective_dof)
    return pull.model_copy(update={**shown, "effective_dof": dof, "budget": _lines(budget)})


def limits_of(order: SampleOrder, limit_sets: LimitSets) -> list[Limit]:
    """All limits for the thinnest wire of an order, and those for pulls of its other wires.

    Raises
    ------
    BadInput
        It asks for a pull of a wire that the joint has not.
    NoLimit
        As `LimitSets.judging`, or nothing judges the pull that it asks for.
    """
    wires = [parse_size(wire) for wire in order.joint.wires]
    if not 0 <= (order.pull_wire or 0) < len(wires):
        raise BadInput("The joint has no such wire to pull: choose one that it has.")
    weakest, chosen = weakest_wire(order.joint.wires), order.limit_set
    counted = order.job_id is not None or order.job == CERTIFICATION
    limits = list(limit_sets.judging(weakest, chosen, in_full=counted).limits)
    for size in dict.fromkeys(size for size in wires if size != weakest):
        found = limit_sets.in_force(limit_sets.choice.chosen(chosen), size).limits
        limits += [limit for limit in found if limit.criterion in FORCES]
    asked = weakest if order.pull_wire is None else wires[order.pull_wire]
    judged = any(limit.criterion in FORCES and limit.size == asked.label for limit in limits)
    if not judged and (order.hold or asked != weakest):
        raise NoLimit(
            "No limit in force judges a pull of {size}: pull another wire, or choose a set that "
            "has one.",
            size=asked.label,
        )
    return limits


def judge(limits: Iterable[Limit], results: Results, guard: float) -> tuple[CriterionResult, ...]:
    """Judge what was measured by every limit; a pull by those for the size of the wire pulled.

    A void sample is not judged: the test, not the crimp, was bad. Where that rests on a person's
    word alone it is all the same, so that a job can count it.
    """
    if results.void_reason is not None and results.void_by != "person":
        return ()
    limits, splice = list(limits), None
    if (resistance := results.resistance) is not None:
        splice = Measured(resistance.splice_ohm, resistance.u_ohm, _dof(resistance.effective_dof))
    forces = [limit for limit in limits if limit.criterion in FORCES]
    pulls = [pull for pull in (results.pull, *results.further_pulls) if pull is not None]
    found: list[CriterionResult] = []
    none: list[PullResult | None] = [None]
    for pull in pulls or none:
        # Limits for the wire that is usually pulled stand first.
        size = pull.size if pull is not None and pull.size else forces[0].size if forces else ""
        of_size = [limit for limit in forces if limit.size == size]
        if pull is None or pull.void_reason is None:
            judged = judge_sample(of_size, force=_force(pull), guard=guard)
            found += [_criterion(*each, pull) for each in judged]
    sizes: dict[str, Measured] = {
        one.criterion: Measured(one.value_m, one.u_m, _dof(one.effective_dof))
        for one in results.sizes
    }
    others = [limit for limit in limits if limit.criterion not in FORCES]
    judged = judge_sample(others, resistance=splice, sizes=sizes, guard=guard)
    return (*found, *(_criterion(*each, None) for each in judged))


def _force(pull: PullResult | None) -> Measured | None:
    if pull is None:
        return None
    low_n = pull.peak_may_be_low_by_n if pull.held_n is None else 0.0
    force_n = pull.peak_n if pull.held_n is None else pull.held_n
    dof = _dof(pull.effective_dof)
    return Measured(force_n, pull.u_n, dof, low_n, end=pull.end, held_s=pull.held_s)


_OF_LIMIT = (
    "criterion", "size", "set_id", "source", "edition", "standing", "conditions", "test_current_a",
)  # fmt: skip


def _criterion(limit: Limit, judged: Judgement, pull: PullResult | None) -> CriterionResult:
    how = {} if pull is None else {"wire": pull.wire, "end": pull.end, "held_s": pull.held_s}
    return CriterionResult(
        unit=limit.unit_si,
        value=judged.value,
        u=judged.u,
        limit=limit.value_si,
        tolerance=limit.tolerance_si,
        verdict=judged.verdict.value,
        probability_conforming=judged.probability_conforming,
        note=judged.note,
        **{name: getattr(limit, name) for name in _OF_LIMIT},
        **how,
    )


def finished_sample(
    sample_id: str,
    begun: SampleBegun,
    results: Results,
    criteria: tuple[CriterionResult, ...],
    *,
    guard: float,
    checklist: Mapping[str, bool] | None = None,
    looked: bool = False,
    condemned_by: Iterable[str] = (),
    only: Judged | None = None,
) -> SampleFinished:
    """The entry of a sample that was begun, looked at, measured and judged.

    Parameters
    ----------
    looked
        Whether every critical look was answered.
    condemned_by
        What was seen that condemns it whatever it measures, in sentences.
    only
        What alone this shop judges.
    """
    condemned_by = tuple(condemned_by)
    # A person's word, such as to give it up, cannot void what is condemned already.
    by_word = bool(condemned_by) and results.void_by == "person"
    void = results.void_reason is not None and not by_word
    not_judged = parts_not_judged(((one.criterion, one.value) for one in criteria), looked=looked)
    verdict = verdict_of(
        (Verdict(one.verdict) for one in criteria), not_judged,
        condemned=bool(condemned_by), only=only,
    )  # fmt: skip
    return SampleFinished(
        **begun.model_dump(exclude={"offered_again_for", "pull_wire", "hold"}),
        sample_id=sample_id,
        limit_standing=", ".join(dict.fromkeys(one.standing for one in criteria)),
        guard=guard,
        checklist=dict(checklist or {}),
        resistance=results.resistance,
        pull=results.pull,
        further_pulls=tuple(results.further_pulls),
        sizes=results.sizes,
        criteria=criteria,
        verdict="void" if void else verdict.value,
        not_judged=not_judged,
        only=only,
        condemned_by=condemned_by,
        void_reason=results.void_reason if void else None,
        void_by=results.void_by if void else None,
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _dof(kept: float | None) -> float:
    return math.inf if kept is None else kept


def _lines(budget: Budget) -> tuple[BudgetLine, ...]:
    return tuple(
        BudgetLine(name=line.name, u=line.u, dof=_finite(line.dof)) for line in budget.contributions
    )
