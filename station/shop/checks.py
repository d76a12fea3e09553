"""Checks at the bench, and looking back when one of them was bad."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from calibration.check_chart import CheckJudgement, judge_check
from calibration.saying import say
from calibration.standing import (
    UNITS,
    CalibrationRecord,
    CheckKind,
    CheckResult,
    InstrumentKind,
    failed_check,
    last_good_check,
)
from station.errors import BadInput
from station.ledger.entries import InstrumentChecked
from station.ledger.jobs import nest_checks
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.shop.look_back import Consequences, consequences
from station.shop.trust import check_from, latest_calibration, record_from


@dataclass(frozen=True, slots=True)
class LastCheck:
    """The latest check of an instrument of the bench."""

    role: str
    instrument: str
    at: datetime
    passed: bool
    entry_id: str


def checks_by_role(reader: LedgerReader) -> dict[str, LastCheck]:
    """The latest check of a meter and of a tester, whichever instrument it was of."""
    latest: dict[str, LastCheck] = {}
    for instrument, role in reader.instruments(with_samples=False).items():
        for entry in reader.checks(instrument)[-1:]:
            if not isinstance(entry.payload, InstrumentChecked):
                continue
            if role not in latest or entry.at_utc > latest[role].at:
                latest[role] = LastCheck(
                    role, instrument, entry.at_utc, entry.payload.passed, entry.id
                )
    return latest


IN_USE_AFTER = ("released", "watch")
"""Outcomes of a daily check that leave a nest in use."""


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


@dataclass(frozen=True, slots=True)
class LookBack:
    """The samples that a bad instrument or tool may have spoilt.

    Attributes
    ----------
    since_seq
        Entry after which they were finished; 0 is the beginning of the record.
    why
        Why from there, in one sentence.
    """

    since_seq: int
    why: str
    samples: tuple[SampleRow, ...]
    rest: Consequences
    """What rests on these samples."""


def look_back(
    reader: LedgerReader,
    *,
    instrument: str | None = None,
    tool: str | None = None,
    since_seq: int | None = None,
) -> LookBack:
    """Every sample that an instrument measured, or a tool crimped, since its last good check.

    An instrument with a failed check: since the last time that the same check passed; where it
    never did, since the calibration before. A tool: since each nest's last good daily check, or,
    where no daily check came to an outcome yet, since the last of its samples that passed before
    the last fail. Without any of these, since the beginning: nothing shows that it was ever
    good. With the samples comes what rests on them: outcomes, certificates, baselines, work.

    Parameters
    ----------
    instrument, tool
        Exactly one of them, by its name on record.
    since_seq
        Look back to this entry instead.

    Raises
    ------
    BadInput
        Both or neither are given, or the name is not on record.
    """
    if (instrument is None) == (tool is None):
        raise BadInput("Name either an instrument or a tool to look back on.")
    if instrument is not None:
        _must_be_one_of(instrument, list(reader.instruments()), say("instrument"))
        anchor, why = _instrument_anchor(reader, instrument)
    else:
        _must_be_one_of(str(tool), [row.tool for row in reader.tools()], say("tool"))
        nests = {} if since_seq is not None else _nest_anchors(reader, str(tool))
        if nests:
            return _nests_look_back(reader, str(tool), nests)
        anchor, why = _tool_anchor(reader, str(tool))
    if since_seq is not None:
        anchor, why = since_seq, say("since entry {since_seq}, as asked", since_seq=since_seq)
    found = reader.samples_since(anchor, instrument=instrument, tool=tool)
    rest = consequences(reader, anchor, found, instrument=instrument, tool=tool)
    return LookBack(anchor, why, tuple(found), rest)


def _nest_anchors(reader: LedgerReader, tool: str) -> dict[str, int]:
    """The last daily check that left each nest in use; empty where none of them has an outcome."""
    nests = next(row.nests for row in reader.tools() if row.tool == tool)
    outcomes = {nest: nest_checks(reader, tool, nest) for nest in nests}
    if not any(outcomes.values()):
        return {}
    return {
        nest: max((row.seq for row in rows if row.outcome in IN_USE_AFTER), default=0)
        for nest, rows in outcomes.items()
    }


def _nests_look_back(reader: LedgerReader, tool: str, anchors: Mapping[str, int]) -> LookBack:
    since = min(anchors.values())
    found = tuple(
        row
        for row in reader.samples_since(since, tool=tool)
        if (row.finished_seq or 0) > anchors.get(row.nest, 0)
    )
    never = [nest for nest, seq in anchors.items() if seq == 0]
    but = (
        say(" (nest {never}: since the beginning, it never passed one)", never=", ".join(never))
        if never
        else ""
    )
    rest = consequences(reader, since, found, tool=tool, nest_seqs=anchors)
    return LookBack(
        since, say("since each nest's last good daily check{but}", but=say(but)), found, rest
    )


def _must_be_one_of(name: str, known: list[str], what: str) -> None:
    if name not in known:
        there_are = ", ".join(map(repr, known)) or "none"
        raise BadInput(
            "There is no {what} {name!r} on record: there are {there_are}.",
            what=what,
            name=name,
            there_are=there_are,
        )


def _instrument_anchor(reader: LedgerReader, instrument: str) -> tuple[int, str]:
    checks = list(map(check_from, reader.checks(instrument)))
    record = latest_calibration(reader, instrument)
    failed = failed_check(record, checks)
    good: CheckResult | None
    if failed is not None:
        good = last_good_check(checks, failed)
        never = say("the {name} never passed before it failed", name=say(failed.name))
    else:
        good = next((check for check in reversed(checks) if check.passed), None)
        never = say("no check of it ever passed")
    if good is not None:
        return good.seq, say(
            "since the {name} passed on {at:%Y-%m-%d %H:%M}", name=say(good.name), at=good.at
        )
    found_bad_at = _found_bad_at(record, failed)
    earlier = [
        made
        for made in map(record_from, reader.calibrations(instrument))
        if made.accepted and made.seq < found_bad_at
    ]
    if not earlier:
        return 0, say("since the beginning: {never}", never=say(never))
    return earlier[-1].seq, say(
        "since its calibration {certificate} was entered: {never}",
        certificate=earlier[-1].certificate,
        never=say(never),
    )


def _found_bad_at(record: CalibrationRecord | None, failed: CheckResult | None) -> int:
    """The entry that showed it; 0 where none did: then no calibration vouches for what came before.

    Someone may look back because a calibration found the instrument bad and made it good.
    """
    if failed is not None:
        return failed.seq
    return record.seq if record is not None and not record.accepted else 0


def _tool_anchor(reader: LedgerReader, tool: str) -> tuple[int, str]:
    rows = reader.samples_since(0, tool=tool)
    last_fail = max(
        (row.finished_seq or 0 for row in rows if row.verdict == "fail"), default=math.inf
    )
    good = [
        row
        for row in rows
        if row.job == "daily_check" and row.verdict == "pass"
        and (row.finished_seq or 0) < last_fail
    ]  # fmt: skip
    if not good:
        return 0, say("since the beginning: it passed no daily check")
    return (
        good[-1].finished_seq or 0,
        say(
            "since it passed a daily check on {at_utc:%Y-%m-%d %H:%M}",
            at_utc=good[-1].at_utc.astimezone(),
        ),
    )
