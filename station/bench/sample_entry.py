"""From measured numbers to what the ledger keeps of a sample: pure, used live and for the demo."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from calibration.uncertainty import Budget, Contribution
from calibration.worth import ForceWorth, OhmWorth, corrects, force_budget, reading_budget
from station.crimp.limits import Limit
from station.crimp.pull.reduce import PullReduction
from station.crimp.resistance import SpliceResistance, WireSpan, reduce_by_length
from station.crimp.verdict import (
    JudgedCriterion,
    MeasuredForce,
    MeasuredResistance,
    SampleJudgement,
    Verdict,
    judge_sample,
)
from station.crimp.wire import material_named, parse_size
from station.instruments.bay import InstrumentLine
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import (
    BudgetLine,
    CriterionResult,
    InstrumentUsed,
    PullResult,
    ResistanceResult,
    SampleFinished,
    VoidBy,
)
from station.settings import FixtureSettings


@dataclass(frozen=True, slots=True)
class HowPulled:
    """How a pull was taken, for the record; see :class:`station.ledger.entries.PullResult`."""

    register_peak_n: float | None = None
    peak_from: Literal["trace", "register"] = "trace"
    time_from: str | None = None
    lost_samples: int | None = None
    unit_assumed: bool | None = None
    guard: Literal["closed", "not watched"] | None = None


def instrument_used(line: InstrumentLine) -> InstrumentUsed:
    """What the record says of the instrument that made a number."""
    return InstrumentUsed(
        profile=line.profile,
        identity=line.identity or "",
        port=line.port,
        simulated=line.simulated,
    )


def reduce_reading(
    repeats_ohm: Sequence[float],
    worth: OhmWorth,
    order: SampleOrder,
    fixture: FixtureSettings,
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
    taken: HowPulled | None = None,
) -> PullResult:
    """What the ledger keeps of a pull."""
    peak_n, budget = force_budget(reduced.peak_n, worth)
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
        **({} if taken is None else asdict(taken)),
    )


def finished_sample(
    sample_id: str,
    order: SampleOrder,
    limits: Sequence[Limit],
    *,
    standing: str,
    guard: float,
    resistance: ResistanceResult | None,
    pull: PullResult | None,
    void_reason: str | None = None,
    void_by: VoidBy | None = None,
    overridden_warning: str | None = None,
    demo: bool = False,
) -> SampleFinished:
    """Judge a sample and put it into words for the ledger.

    A ``void_reason`` makes it void whatever was measured: the test, not the crimp, was bad. Where
    that rests on a person's word alone, what was measured is judged and kept all the same, so that
    a job can count it.
    """
    void = void_reason is not None
    keep = not void or void_by == "person"
    judged = _judge(limits, guard, resistance, pull) if keep else None
    return SampleFinished(
        demo=demo,
        sample_id=sample_id,
        job=order.job,
        joint=order.joint,
        limit_set=order.limit_set,
        limit_standing=standing,
        guard=guard,
        checklist=dict(order.checklist),
        resistance=resistance,
        pull=pull,
        criteria=() if judged is None else tuple(map(_criterion_result, judged.criteria)),
        verdict=Verdict.VOID.value if judged is None or void else judged.verdict.value,
        void_reason=void_reason,
        void_by=(void_by or "instrument") if void else None,
        overridden_warning=overridden_warning,
        job_id=order.job_id,
        step=order.step,
    )


def _judge(
    limits: Sequence[Limit],
    guard: float,
    resistance: ResistanceResult | None,
    pull: PullResult | None,
) -> SampleJudgement:
    measured_force = measured_resistance = None
    if pull is not None:
        measured_force = MeasuredForce(
            pull.peak_n, pull.u_n, pull.peak_may_be_low_by_n, _dof(pull.effective_dof)
        )
    if resistance is not None:
        measured_resistance = MeasuredResistance(
            resistance.splice_ohm, resistance.u_ohm, _dof(resistance.effective_dof)
        )
    return judge_sample(limits, force=measured_force, resistance=measured_resistance, guard=guard)


def _criterion_result(judged: JudgedCriterion) -> CriterionResult:
    return CriterionResult(
        criterion=judged.criterion,
        unit=judged.unit,
        value=judged.value,
        u=judged.u,
        limit=judged.limit,
        verdict=judged.verdict.value,
        probability_conforming=judged.probability_conforming,
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _dof(kept: float | None) -> float:
    return math.inf if kept is None else kept


def _lines(budget: Budget) -> tuple[BudgetLine, ...]:
    return tuple(
        BudgetLine(name=line.name, u=line.u, dof=_finite(line.dof)) for line in budget.contributions
    )
