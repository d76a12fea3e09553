"""Looking back on a bad instrument or tool: the samples it may have spoilt, and what rests on them.

Outcomes, certificates, baselines, work and studies rest on samples.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

from calibration.saying import say
from calibration.standing import CalibrationRecord, CheckResult, failed_check, last_good_check
from station.errors import BadInput
from station.ledger.entries import BaselineSet, StudyBegun
from station.ledger.jobs import job_record, jobs_with, nest_checks, work
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, SampleRow, WorkRow
from station.shop.nests import IN_USE_AFTER
from station.shop.trust import check_from, latest_calibration, record_from

MOST_WORK = 100_000


@dataclass(frozen=True, slots=True)
class LookBack:
    """The samples that a bad instrument or tool may have spoilt, and all that rests on them.

    Attributes
    ----------
    since_seq
        Entry after which they were finished; 0 is the beginning of the record.
    why
        Why from there, in one sentence.
    outcomes
        Ended jobs with some of the samples, and how many.
    baselines
        Joints whose wear watch was set by some of the samples.
    studies
        Titles of gauge studies that the instrument took part in since.
    """

    since_seq: int
    why: str
    samples: tuple[SampleRow, ...]
    outcomes: tuple[tuple[JobRecord, int], ...]
    baselines: tuple[str, ...]
    work: tuple[WorkRow, ...]
    studies: tuple[str, ...]


def look_back(
    reader: LedgerReader,
    *,
    instrument: str | None = None,
    tool: str | None = None,
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
        if nests := _nest_anchors(reader, str(tool)):
            return _nests_look_back(reader, str(tool), nests)
        anchor, why = _tool_anchor(reader, str(tool))
    found = reader.samples_since(anchor, instrument=instrument, tool=tool)
    return _with_consequences(reader, anchor, why, found, instrument=instrument, tool=tool)


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
    found = [
        row
        for row in reader.samples_since(since, tool=tool)
        if (row.finished_seq or 0) > anchors.get(row.nest, 0)
    ]
    never = [nest for nest, seq in anchors.items() if seq == 0]
    but = (
        say(" (nest {never}: since the beginning, it never passed one)", never=", ".join(never))
        if never
        else ""
    )
    why = say("since each nest's last good daily check{but}", but=say(but))
    return _with_consequences(reader, since, why, found, tool=tool, nest_seqs=anchors)


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


def _with_consequences(
    reader: LedgerReader,
    since_seq: int,
    why: str,
    samples: Sequence[SampleRow],
    *,
    instrument: str | None = None,
    tool: str | None = None,
    nest_seqs: Mapping[str, int] = MappingProxyType({}),
) -> LookBack:
    """Find what rests on doubtful samples.

    Work is doubtful where it was crimped in a nest of the tool, or in a nest that the instrument
    measured, on the day of the last good check or later: within that day the order is not known.
    """
    days = {nest: _day_of(reader, seq) for nest, seq in nest_seqs.items()}
    nests = {(row.tool, row.nest) for row in samples}
    logged = [
        row
        for row in work(reader, tool=tool, since=_day_of(reader, since_seq), limit=MOST_WORK)
        if (tool is not None or (row.tool, row.nest) in nests)
        and row.day >= (days.get(row.nest) or date.min)
    ]
    ids = {row.sample_id for row in samples}
    return LookBack(
        since_seq,
        why,
        tuple(samples),
        _outcomes(reader, samples),
        tuple(
            dict.fromkeys(
                baseline.joint.key
                for baseline in reader.said(BaselineSet)
                if ids.intersection(baseline.sample_ids)
            )
        ),
        tuple(logged),
        tuple(
            study.title
            for study in reader.said(StudyBegun, since_seq)
            if study.instrument == instrument
        ),
    )


def _outcomes(
    reader: LedgerReader, samples: Sequence[SampleRow]
) -> tuple[tuple[JobRecord, int], ...]:
    counts = jobs_with(reader, samples)
    found = [(job_record(reader, job_id), count) for job_id, count in counts.items()]
    found.sort(key=lambda item: item[0].row.ended_seq or 0)
    return tuple(item for item in found if item[0].ended is not None)


def _day_of(reader: LedgerReader, seq: int) -> date | None:
    if seq == 0:
        return None
    entry = next(reader.entries(after_seq=seq - 1, limit=1), None)
    return None if entry is None else entry.at_utc.astimezone().date()
