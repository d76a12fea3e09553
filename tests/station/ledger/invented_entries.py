"""Invented entries for the tests of the ledger and of what reads it."""

from datetime import UTC, date, datetime

from station.ledger.entries import (
    CriterionResult,
    InstrumentCalibrated,
    InstrumentChecked,
    InstrumentUsed,
    Joint,
    PhotoTaken,
    PointTaken,
    PullResult,
    ResistanceResult,
    SampleImported,
)
from station.ledger.traces import packed, trace_key

JOINT = Joint(connector="butt-red", wires=("18 AWG", "20 AWG"), tool="T1", nest="A")
INSTRUMENT = InstrumentUsed(profile="any", identity="invented", port="none")
RESISTANCE = ResistanceResult(
    repeats_ohm=(0.0021, 0.0022),
    reading_ohm=0.00215,
    span_m=(0.1,),
    wire_share_ohm=0.002,
    splice_ohm=0.00015,
    u_ohm=1e-5,
    effective_dof=None,
    budget=(),
    temperature_c=20.0,
    method="by_length",
    instrument=INSTRUMENT,
)
PULL = PullResult(
    peak_n=112.5,
    u_n=0.75,
    peak_time_s=3.5,
    loading_rate_n_per_s=30.0,
    peak_may_be_low_by_n=0.25,
    drops=1,
    ended_by="break",
    suggested_mode=None,
    failure_mode="wire break",
    trace_sha256=None,
    instrument=INSTRUMENT,
)
PULL_LIMIT = CriterionResult(
    criterion="pull_force_min",
    unit="N",
    value=112.5,
    u=0.75,
    limit=89.0,
    verdict="pass",
    probability_conforming=1.0,
)

CALIBRATED = InstrumentCalibrated(
    role="meter",
    instrument="invented",
    certificate="C-1",
    reference="resistors R-1 to R-3",
    calibrated_by="an invented laboratory",
    calibrated_on=date(2024, 2, 1),
    due_on=date(2025, 2, 1),
    as_found=tuple(
        PointTaken(reference=ohm, u_reference=1e-7, reading=1.001 * ohm)
        for ohm in (1e-4, 1e-3, 1e-2)
    ),
)
CHECKED = InstrumentChecked(
    role="meter",
    instrument="invented",
    check="resistor",
    standard="R-1",
    expected=1e-3,
    limit=1e-5,
    readings=(1.001e-3, 1.003e-3),
    value=1.002e-3,
    chart_lower=0.99e-3,
    chart_upper=1.01e-3,
    passed=True,
)
ELSEWHERE = SampleImported(
    source="other.csv",
    source_sha256="0" * 64,
    row=2,
    measured_at=datetime(2023, 5, 6, 7, 30, tzinfo=UTC),
    measured_by="Dee",
    joint=Joint(connector="butt-red", wires=("18 AWG",), tool="T9", nest="A"),
    peak_n=98.5,
    splice_ohm=0.0002,
    verdict="pass",
)


def stored_photo(sample_id: str, file: bytes) -> tuple[PhotoTaken, dict[str, bytes]]:
    data = packed(file)
    key = trace_key(data)
    taken = PhotoTaken(sample_id=sample_id, sha256=key, size_bytes=len(file))
    return taken, {key: data}
