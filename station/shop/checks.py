"""Checks of instruments: judged by their limit and their chart so far, and the latest of each."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from calibration.check_chart import CheckJudgement, judge_check
from calibration.standing import UNITS, CheckKind, InstrumentKind
from station.errors import BadInput
from station.ledger.entries import InstrumentChecked
from station.ledger.reader import LedgerReader
from station.shop.trust import check_from, latest_calibration


@dataclass(frozen=True, slots=True)
class LastCheck:
    """The latest check of an instrument of the bench."""

    at: datetime
    passed: bool
    entry_id: str


def checks_by_role(reader: LedgerReader) -> dict[str, LastCheck]:
    """The latest check of a meter and of a tester, whichever instrument it was of.

    A zero that passed is none: it says nothing of the scale.
    """
    latest: dict[str, LastCheck] = {}
    for instrument, role in reader.instruments(with_samples=False).items():
        for entry in reader.checks(instrument):
            if not isinstance(entry.payload, InstrumentChecked):
                continue
            if entry.payload.check == "zero" and entry.payload.passed:
                continue
            if role not in latest or entry.at_utc >= latest[role].at:
                latest[role] = LastCheck(entry.at_utc, entry.payload.passed, entry.id)
    return latest


@dataclass(frozen=True, slots=True)
class CheckDefinition:
    """A check that an instrument is given again and again; SI units.

    Attributes
    ----------
    standard
        Which resistor, weight or wire; empty for a zero.
    limit
        How far from ``expected`` the value may lie.
    """

    role: InstrumentKind
    instrument: str
    kind: CheckKind
    standard: str
    expected: float
    limit: float


def judged_check(
    reader: LedgerReader, asked: CheckDefinition, readings: Sequence[float], *, demo: bool = False
) -> InstrumentChecked:
    """Judge a check by its limit and its chart so far; the entry to be written.

    The chart starts again with every calibration.

    Raises
    ------
    BadInput
        No reading, one that is no number, or a limit that is not positive.
    """
    if not readings or not all(map(math.isfinite, readings)):
        raise BadInput("A check needs at least one reading, and all must be numbers.")
    value = math.fsum(readings) / len(readings)
    judged = _judge(reader, asked, value)
    return InstrumentChecked(
        demo=demo,
        role=asked.role,
        instrument=asked.instrument,
        check=asked.kind,
        standard=asked.standard,
        expected=asked.expected,
        limit=asked.limit,
        readings=tuple(readings),
        value=value,
        chart_lower=judged.chart.lower,
        chart_upper=judged.chart.upper,
        passed=judged.passed,
        reason=judged.reason,
    )


def _judge(reader: LedgerReader, asked: CheckDefinition, value: float) -> CheckJudgement:
    record = latest_calibration(reader, asked.instrument)
    since = 0 if record is None else record.seq
    good = [
        check.value
        for check in map(check_from, reader.checks(asked.instrument))
        if check.passed and check.seq > since and check.series == (asked.kind, asked.standard)
    ]
    try:
        unit, scale = UNITS[asked.role]
        return judge_check(
            value, good, expected=asked.expected, limit=asked.limit, unit=unit, scale=scale
        )
    except ValueError as error:
        raise BadInput("The check cannot be judged: {error}.", error=str(error)) from error
