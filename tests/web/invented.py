"""Invented records for the tests of the page."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from station.bench.sample_entry import Results, finished_sample, judge
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.wire import parse_size
from station.jobs.sample_order import SampleOrder
from station.ledger.chain import Moment
from station.ledger.entries import (
    BaselineSet,
    BudgetLine,
    InstrumentUsed,
    Joint,
    PersonAdded,
    PullResult,
    ResistanceResult,
    SampleBegun,
    SampleFinished,
    ToolAdded,
)
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.simulation.workshop import good_looks

NOW = datetime(2031, 3, 4, 15, 0, tzinfo=UTC)
"""The moment at which every test takes place."""

HOSTILE = '<script>document.title="broken"</script> & "Eve"'
WIRE_OHM = 1.676e-3
"""Of the wire between the clips of these joints."""
USED = InstrumentUsed(profile="invented", identity="Invented instrument", port="/dev/null")


def order_of(person: str, nest: str, again_for: str | None = None) -> SampleOrder:
    joint = Joint(
        connector="butt-splice-red", wires=("18 AWG", "18 AWG"), tool="Hand tool 1", nest=nest
    )
    return SampleOrder(
        person, "daily_check", joint, offered_again_for=again_for, checklist=good_looks(joint)
    )


def reading(splice_ohm: float) -> ResistanceResult:
    return ResistanceResult(
        repeats_ohm=(splice_ohm + WIRE_OHM,) * 5,
        reading_ohm=splice_ohm + WIRE_OHM,
        span_m=(0.080,),
        wire_share_ohm=WIRE_OHM,
        splice_ohm=splice_ohm,
        u_ohm=2.3e-5,
        effective_dof=None,
        budget=(
            BudgetLine(name="span", u=1.0e-5, dof=None),
            BudgetLine(name="repeatability", u=2.07e-5, dof=4.0),
        ),
        temperature_c=None,
        method="by_length",
        instrument=USED,
    )


def pull(peak_n: float, mode: str) -> tuple[PullResult, dict[str, bytes]]:
    time_s = np.linspace(0.0, 4.0, 401)
    force_n = np.where(time_s < 3.0, peak_n * time_s / 3.0, 2.0)
    force_n[300] = peak_n
    data = encode_trace(time_s, force_n)
    key = trace_key(data)
    result = PullResult(
        peak_n=peak_n,
        u_n=0.6,
        peak_time_s=3.0,
        loading_rate_n_per_s=peak_n / 3.0,
        peak_may_be_low_by_n=0.4,
        drops=0,
        ended_by="break",
        suggested_mode="broke_at_edge",
        failure_mode=mode,
        trace_sha256=key,
        instrument=USED,
    )
    return result, {key: data}


def finish(
    ledger: Ledger,
    sample_id: str,
    order: SampleOrder,
    *,
    peak_n: float = 142.0,
    splice_ohm: float = 4e-4,
    mode: str = "drawn_out",
    void_reason: str | None = None,
    moment: Moment | None = None,
    demo: bool = True,
) -> SampleFinished:
    result, traces = pull(peak_n, mode)
    sizes = [parse_size(size) for size in order.joint.wires]
    book, limits = shipped_book(), shipped_limit_sets().judging(sizes[0], order.limit_set).limits
    connector = book.connectors[order.joint.connector]
    results = Results(reading(splice_ohm), result, void_reason)
    finished = finished_sample(
        sample_id,
        begun(order).model_copy(update={"demo": demo}),
        results,
        judge(limits, results, 1.645),
        guard=1.645,
        checklist=order.checklist,
        looked=book.looked(connector, order.checklist),
        condemned_by=book.condemned_by(connector, order.checklist, sizes),
    )
    ledger.append(finished, person=order.person, traces=traces, moment=moment)
    return finished


def begun(order: SampleOrder) -> SampleBegun:
    return SampleBegun(
        demo=True,
        job=order.job,
        joint=order.joint,
        limit_set=order.limit_set,
        offered_again_for=order.offered_again_for,
        job_id=order.job_id,
        step=order.step,
    )


def moment(at: datetime) -> Moment:
    return Moment(at_utc=at, clock_synced=True, boot_id="invented", monotonic_s=0.0)


def write_history(ledger: Ledger) -> None:
    """Invented: ``red`` wears from its 21st sample on, ``blue`` stays, the others are new."""
    start = NOW - timedelta(days=40)
    people = (("Ann Example", "lead"), ("Bo Invented", "apprentice"), (HOSTILE, "installer"))
    for name, role in people:
        added = PersonAdded.model_validate({"name": name, "role": role, "demo": True})
        ledger.append(added, person="Ann Example", moment=moment(start))
    for tool, nests in (("Hand tool 1", ("red", "blue", "yellow")), ("Bench tool 2", ("16/14",))):
        described = ToolAdded(tool=tool, description="An invented tool", nests=nests, demo=True)
        ledger.append(described, person="Ann Example", moment=moment(start))
    for nest in ("red", "blue"):
        ledger.append(baseline(nest), person="Ann Example", moment=moment(start))
    random = np.random.default_rng(7)
    for day in range(35):
        for nest in ("red", "blue"):
            worn = 3.5 if nest == "red" and day >= 20 else 0.0
            ratio = 1.6 + 0.08 * (random.normal() - worn)
            write_sample(ledger, nest, ratio, random.normal(), start + timedelta(days=day + 1))
    write_sample(ledger, "blue", 1.6, 0.0, NOW - timedelta(hours=1))
    write_sample(ledger, "yellow", 0.8, 0.0, NOW - timedelta(minutes=50))
    open_order = order_of(HOSTILE, "red")
    ledger.append(begun(open_order), person=HOSTILE, moment=moment(NOW - timedelta(minutes=30)))


def baseline(nest: str) -> BaselineSet:
    return BaselineSet(
        demo=True,
        joint=order_of("", nest).joint,
        baseline_version=1,
        n=30,
        force_ratio_center=1.6,
        force_ratio_sigma=0.08,
        log_resistance_center=math.log(4e-4),
        log_resistance_sigma=0.05,
        sample_ids=(),
    )


def write_sample(ledger: Ledger, nest: str, ratio: float, noise: float, at: datetime) -> None:
    order = order_of("Bo Invented", nest)
    sample_id = ledger.append(begun(order), person=order.person, moment=moment(at)).id
    finish(
        ledger,
        sample_id,
        order,
        peak_n=ratio * 88.96443230521,
        splice_ohm=4e-4 * math.exp(0.05 * noise),
        moment=moment(at),
    )
