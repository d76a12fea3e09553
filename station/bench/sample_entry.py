"""From measured numbers to what the ledger keeps of a sample: pure, used live and for the demo."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.uncertainty import Budget, Contribution
from calibration.worth import ForceWorth, OhmWorth, corrects, force_budget, reading_budget
from station.crimp.in_force import Judged
from station.crimp.limits import Limit
from station.crimp.pull.reduce import PullReduction
from station.crimp.resistance import SpliceResistance, WireSpan, reduce_by_length
from station.crimp.verdict import Measured, Verdict, judge_sample, parts_not_judged, verdict_of
from station.crimp.wire import material_named, parse_size
from station.instruments.bay import InstrumentLine
from station.instruments.pull_tester import ForceTrace
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import (
    BudgetLine,
    CriterionResult,
    InstrumentUsed,
    PullResult,
    ResistanceResult,
    SampleBegun,
    SampleFinished,
    VoidBy,
)
from station.settings import FixtureSettings


@dataclass(slots=True)
class Results:
    """What was measured of a sample, and why it is void, if it is."""

    resistance: ResistanceResult | None = None
    pull: PullResult | None = None
    void_reason: str | None = None
    void_by: VoidBy = "instrument"


def instrument_used(line: InstrumentLine) -> InstrumentUsed:
    """What the record says of the instrument that made a number."""
    return InstrumentUsed(
        profile=line.profile, identity=line.identity or "", port=line.port, simulated=line.simulated
    )


def reduce_reading(
    repeats_ohm: Sequence[float], worth: OhmWorth, order: SampleOrder, fixture: FixtureSettings
) -> SpliceResistance:
    """Reduce the repeats of a sample to its splice; the span is shared between its wires.

    A sample is clipped on once, and its repeats never see what clipping on anew would change: the
    fixture's re-clipping study stands for that in the budget.
    """
    mean, lines = reading_budget(repeats_ohm, worth)
    lines.append(Contribution("re-clipping", fixture.u_reclip_ohm, fixture.reclip_dof or math.inf))
    wires = order.joint.wires
    material = material_named(order.joint.material)
    sizes = dict.fromkeys(wires)
    spans = [
        WireSpan(
            parse_size(size),
            material,
            fixture.span_m * wires.count(size) / len(wires),
            fixture.u_span_m / math.sqrt(len(sizes)),
            fixture.wire_u_fraction,
        )
        for size in sizes
    ]
    return reduce_by_length(
        mean,
        lines,
        spans,
        temperature_c=fixture.temperature_c,
        u_temperature_k=fixture.u_temperature_k,
    )


def resistance_result(
    repeats_ohm: Sequence[float],
    reduced: SpliceResistance,
    span_m: Sequence[float],
    instrument: InstrumentUsed,
    *,
    thermal_cancelled: str | None = None,
    zero_age_s: float | None = None,
) -> ResistanceResult:
    """What the ledger keeps of a reading."""
    return ResistanceResult(
        repeats_ohm=tuple(repeats_ohm),
        reading_ohm=reduced.reading_ohm,
        span_m=tuple(span_m),
        wire_share_ohm=reduced.wire_share_ohm,
        splice_ohm=reduced.splice_ohm,
        u_ohm=reduced.u_ohm,
        effective_dof=_finite(reduced.effective_dof),
        budget=_lines(reduced.budget),
        temperature_c=reduced.temperature_c,
        method="by_length",
        thermal_cancelled=thermal_cancelled,
        zero_age_s=zero_age_s,
        instrument=instrument,
    )


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
) -> PullResult:
    """What the ledger keeps of a pull; ``trace`` is None where no tester recorded it."""
    peak_n, budget = force_budget(reduced.peak_n, worth, reduced.peak_u_n)
    return PullResult(
        peak_n=peak_n,
        u_n=budget.u,
        raw_peak_n=reduced.peak_n if corrects(worth, reduced.peak_n) else None,
        effective_dof=_finite(budget.effective_dof),
        budget=_lines(budget),
        peak_time_s=reduced.peak_time_s,
        loading_rate_n_per_s=reduced.loading_rate_n_per_s,
        peak_may_be_low_by_n=reduced.peak_may_be_low_by_n,
        drops=reduced.drops,
        ended_by=reduced.ended_by,
        suggested_mode=reduced.suggested_mode,
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
    )


def judge(limits: Iterable[Limit], results: Results, guard: float) -> tuple[CriterionResult, ...]:
    """Judge what was measured by every limit.

    A void sample is not judged: the test, not the crimp, was bad. Where that rests on a person's
    word alone it is all the same, so that a job can count it.
    """
    if results.void_reason is not None and results.void_by != "person":
        return ()
    pull, resistance = results.pull, results.resistance
    force = splice = None
    if pull is not None:
        force = Measured(pull.peak_n, pull.u_n, _dof(pull.effective_dof), pull.peak_may_be_low_by_n)
    if resistance is not None:
        splice = Measured(resistance.splice_ohm, resistance.u_ohm, _dof(resistance.effective_dof))
    return tuple(
        CriterionResult(
            criterion=limit.criterion,
            unit=limit.unit_si,
            value=judged.value,
            u=judged.u,
            limit=limit.value_si,
            verdict=judged.verdict.value,
            probability_conforming=judged.probability_conforming,
            set_id=limit.set_id,
            source=limit.source,
            edition=limit.edition,
            standing=limit.standing,
            conditions=limit.conditions,
            test_current_a=limit.test_current_a,
        )
        for limit, judged in judge_sample(limits, force=force, resistance=splice, guard=guard)
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
        **begun.model_dump(exclude={"offered_again_for"}),
        sample_id=sample_id,
        limit_standing=", ".join(dict.fromkeys(one.standing for one in criteria)),
        guard=guard,
        checklist=dict(checklist or {}),
        resistance=results.resistance,
        pull=results.pull,
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
