"""What each kind of entry does to the read tables.

The same functions run when an entry is appended and when the tables are rebuilt, so a rebuilt
table cannot differ from the one that grew.
"""

from collections.abc import Iterable
from functools import singledispatch
from typing import Any

from sqlalchemy import Connection, Row, Table, bindparam, select
from sqlalchemy.dialects.sqlite import insert

from calibration.saying import say
from station.crimp.verdict import Verdict, verdict_of
from station.errors import BadInput
from station.ledger import tables
from station.ledger.chain import canonical_json, spelled, utc_text
from station.ledger.database import run
from station.ledger.entries import (
    NEST_OUTCOME,
    BaselineSet,
    Correction,
    CriterionResult,
    DoorEvent,
    InstrumentCalibrated,
    InstrumentChecked,
    JobBegun,
    JobEnded,
    JobStep,
    JobStepOf,
    Joint,
    NestHeld,
    NestReleased,
    Payload,
    PersonAdded,
    PersonLeft,
    PhotoDropped,
    PhotoTaken,
    PullBegun,
    RoleChanged,
    SampleBegun,
    SampleFinished,
    SampleImported,
    SampleLookedAt,
    ToolAdded,
    ToolLookedAt,
    ToolServiced,
    WorkDone,
)
from station.ledger.entry import Entry
from station.ledger.rows import IMPORTED

ALL_TIME = "all time"
"""What ``tally`` has for a quarter of an hour where it counts everything.

It sorts after every time, and so stands beside the latest quarter: a sample changes one page.
"""

BEGUN = "begun"
"""What ``tally`` counts besides verdicts."""

FIRST_DEMO_KEY = "first_demo_seq"
"""Where ``meta`` keeps the number of the first invented entry."""

_sample = tables.sample
_job = tables.job
_hold = tables.nest_hold

_of_sample = _sample.c.sample_id == bindparam("of_sample")
_CHANGE = _sample.update().where(_of_sample)
_FINISH = _CHANGE.where(tables.OPEN_SAMPLE)
_FIND_SAMPLE = select(_sample).where(_of_sample)
_FIND_JOB = select(_job).where(_job.c.job_id == bindparam("of_job"))
_adding = insert(tables.tally)
_COUNT = _adding.on_conflict_do_update(
    index_elements=["quarter", "person", "what"], set_={"n": tables.tally.c.n + _adding.excluded.n}
)
_NOTE_INSTRUMENT = insert(tables.instrument_used).on_conflict_do_nothing()
_MARK_DEMO = insert(tables.meta).on_conflict_do_nothing().inline()
_NONE = spelled(())
_INSERT = {name: table.insert() for name, table in tables.read_tables.tables.items()}
_JUST_BEGUN = {"simulated": False, "not_judged": _NONE, "condemned_by": _NONE, "reels": _NONE}
_AS_SAID = {
    DoorEvent.KIND: tables.door,
    InstrumentCalibrated.KIND: tables.instrument_event,
    InstrumentChecked.KIND: tables.instrument_event,
    NestHeld.KIND: tables.nest_hold,
    PhotoDropped.KIND: tables.photo_dropped,
    PhotoTaken.KIND: tables.photo,
    ToolLookedAt.KIND: tables.tool_look,
    ToolServiced.KIND: tables.nest_service,
}
"""Kinds that are a row of a table as they stand."""


def derive(connection: Connection, entry: Entry) -> None:
    """Bring the read tables up to date with one entry.

    Parameters
    ----------
    connection : sqlalchemy.Connection
        Open for writing, in a transaction.
    entry : Entry
        The latest entry, already written.

    Raises
    ------
    BadInput
        The entry speaks of something that is not on record, or that is already settled.
    """
    _derive(entry.payload, connection, entry)
    if entry.payload.demo:
        run(connection, _MARK_DEMO, {"key": FIRST_DEMO_KEY, "value": str(entry.seq)})


def _said(table: Table, entry: Entry, **more: object) -> dict[str, Any]:
    """Return what an entry says about the columns of a table, by name, and what is added."""
    said = {
        **vars(entry.payload),
        "seq": entry.seq,
        "held_seq": entry.seq,
        "entry_id": entry.id,
        "kind": entry.kind,
        "at_utc": utc_text(entry.at_utc),
        "person": entry.person,
        **more,
    }
    return {name: said[name] for name in table.c.keys() & said.keys()}


def _add(connection: Connection, table: Table, entry: Entry, **more: object) -> None:
    run(connection, _INSERT[table.name], _said(table, entry, **more))


@singledispatch
def _derive(_payload: Payload, connection: Connection, entry: Entry) -> None:
    if entry.kind in _AS_SAID:
        _add(connection, _AS_SAID[entry.kind], entry)


@_derive.register
def _sample_begun(begun: SampleBegun, connection: Connection, entry: Entry) -> None:
    replaces = begun.offered_again_for
    if replaces and _found(connection, replaces) is None:
        raise BadInput(f"The sample {replaces} to be replaced is not on record: check its id.")
    if begun.job_id is not None:
        _check_job_open(connection, begun.job_id)
    own = {"begun_seq": entry.seq, "sample_id": entry.id, "replaces": replaces, **_JUST_BEGUN}
    own["reels"] = spelled(begun.reels)
    _add(connection, _sample, entry, **own, **_joint(begun.joint))
    lots = {begun.terminal_lot, begun.sleeve_lot, begun.tool_serial, *begun.reels} - {None, ""}
    if lots:
        rows = [{"name": name, "begun_seq": entry.seq} for name in lots]
        run(connection, _INSERT["sample_lot"], rows)
    _count(connection, entry.person, BEGUN)


@_derive.register
def _pull_begun(begun: PullBegun, connection: Connection, entry: Entry) -> None:
    run(connection, _CHANGE, {"of_sample": begun.sample_id, "pull_begun_seq": entry.seq})


@_derive.register
def _sample_finished(finished: SampleFinished, connection: Connection, entry: Entry) -> None:
    results = (finished.resistance, finished.pull)
    row = _said(
        _sample,
        entry,
        finished_seq=entry.seq,
        measured_verdict=_measured_verdict(finished),
        limit_set=finished.limit_set or _sets(finished.criteria),
        not_judged=spelled(finished.not_judged),
        condemned_by=spelled(finished.condemned_by),
        pull_limit_n=_limit_n(finished),
        simulated=any(one is not None and one.instrument.simulated for one in results),
        **_joint(finished.joint),
        **_measured(finished),
    )
    # These stay what they were when it was begun.
    for name in ("sample_id", "job_id", "step", "reels"):
        del row[name]
    if run(connection, _FINISH, {"of_sample": finished.sample_id} | row).rowcount == 0:
        _refuse_finish(connection, finished.sample_id)
    _count(connection, entry.person, finished.verdict, row["at_utc"])
    if used := {role: row[role] for role in ("meter", "tester") if row.get(role) is not None}:
        notes = [{"role": role, "instrument": named} for role, named in used.items()]
        run(connection, _NOTE_INSTRUMENT, notes)


@_derive.register
def _sample_imported(imported: SampleImported, connection: Connection, entry: Entry) -> None:
    """Add a sample that is finished as soon as it is on record."""
    at_utc, person = utc_text(imported.measured_at), imported.measured_by
    verdict = imported.verdict or "undecided"
    _add(
        connection,
        _sample,
        entry,
        begun_seq=entry.seq,
        finished_seq=entry.seq,
        sample_id=entry.id,
        job=IMPORTED,
        **_JUST_BEGUN,
        at_utc=at_utc,
        person=person,
        verdict=verdict,
        **_joint(imported.joint),
    )
    _count(connection, person, BEGUN)
    _count(connection, person, verdict, at_utc)


def quarter_of(at_utc: str) -> str:
    """Return the quarter of an hour in which a time lies, both as `utc_text`, the latter cut."""
    minute = int(at_utc[14:16]) // 15 * 15
    return f"{at_utc[:14]}{minute:02d}"


def _count(
    connection: Connection, person: str, what: str, at_utc: str | None = None, change: int = 1
) -> None:
    """Count in all and, where a time is given, in its quarter of an hour."""
    quarters = [ALL_TIME, *([quarter_of(at_utc)] if at_utc else [])]
    counted = {"person": person, "what": what, "n": change}
    run(connection, _COUNT, [{**counted, "quarter": quarter} for quarter in quarters])


def _refuse_finish(connection: Connection, sample_id: str) -> None:
    found = _found(connection, sample_id)
    if found is None:
        raise BadInput(
            "The sample {sample_id} was never begun: begin it, then finish it.", sample_id=sample_id
        )
    if found.finished_seq is None and found.verdict is None:
        raise BadInput(
            "The sample {sample_id} was replaced by another: finish that one.", sample_id=sample_id
        )
    raise BadInput(
        "The sample {sample_id} already has the verdict {verdict!r}: correct it with a "
        "reason, or begin a new sample.",
        sample_id=sample_id,
        verdict=say(found.verdict),
    )


def _found(connection: Connection, sample_id: str) -> Row[Any] | None:
    """Return how a sample stands, or None if it was never begun."""
    return run(connection, _FIND_SAMPLE, {"of_sample": sample_id}).first()


def _joint(joint: Joint) -> dict[str, Any]:
    return {**vars(joint), "wires": spelled(joint.wires), "joint_key": joint.key}


def _measured(finished: SampleFinished) -> dict[str, Any]:
    resistance = finished.resistance
    measured: dict[str, Any] = {f"{one.criterion}_m": one.value_m for one in finished.sizes}
    measured |= {f"{one.criterion}_u_m": one.u_m for one in finished.sizes}
    if resistance is not None:
        named = {"splice_u_ohm": resistance.u_ohm, "meter": resistance.instrument.name}
        measured |= vars(resistance) | named
    if finished.pull is not None:
        first = finished.pull
        measured |= vars(first) | {"tester": first.instrument.name, "pull_end": first.end}
        charted = (pull for pull in finished.pulls if pull.is_charted(finished.joint))
        shown = next((pull for pull in charted if pull.void_reason is None), None)
        measured |= {"peak_n": shown and shown.peak_n, "peak_u_n": shown and shown.u_n}
    return measured


def _limit_n(finished: SampleFinished) -> float | None:
    """Return the limit of the pull that charts show; the strictest of several sets."""
    force = (
        one for one in finished.criteria if (one.criterion, one.unit) == ("pull_force_min", "N")
    )
    return max((one.limit for one in force if one.is_charted(finished.joint)), default=None)


def _sets(criteria: Iterable[CriterionResult]) -> str | None:
    return ", ".join(dict.fromkeys(one.set_id for one in criteria)) or None


def _measured_verdict(finished: SampleFinished) -> str | None:
    """Return what it would be were it not void; None where nothing was measured or condemned it."""
    found = [Verdict(one.verdict) for one in finished.criteria if one.value is not None]
    condemned = bool(finished.condemned_by)
    if not found and not condemned:
        return None
    return verdict_of(found, finished.not_judged, condemned=condemned, only=finished.only).value


@_derive.register
def _correction(correction: Correction, connection: Connection, _entry: Entry) -> None:
    corrected = correction.corrects_id
    found = connection.execute(tables.found(tables.entry, id=corrected)).first()
    if found is None:
        raise BadInput(
            "The entry {corrected} to be corrected is not on record: check its id.",
            corrected=corrected,
        )
    changes: dict[str, Any] = {}
    if correction.void_sample:
        changes |= {"verdict": "void", "void_reason": correction.reason, "void_by": "person"}
    if correction.failure_mode is not None:
        changes["failure_mode"] = correction.failure_mode
    if not changes:
        return
    of_sample = corrected
    if found.kind == SampleFinished.KIND:
        of_sample = SampleFinished.model_validate_json(found.payload).sample_id
    sample = _found(connection, of_sample)
    if sample is None:
        raise BadInput(
            f"The entry {corrected} is not a sample, so it has no verdict or failure mode to "
            "correct: give the id of a sample."
        )
    run(connection, _CHANGE, {"of_sample": of_sample} | changes)
    if correction.void_sample and sample.verdict != "void":
        if sample.verdict is not None:
            _count(connection, sample.person, sample.verdict, sample.at_utc, -1)
        _count(connection, sample.person, "void", sample.at_utc)


@_derive.register
def _person_added(added: PersonAdded, connection: Connection, entry: Entry) -> None:
    row = _said(tables.person, entry, active=True)
    connection.execute(tables.person.insert().prefix_with("OR REPLACE"), row)
    _audit(connection, entry, added.name, added.role)


@_derive.register
def _role_changed(changed: RoleChanged, connection: Connection, entry: Entry) -> None:
    _change_person(connection, changed.name, {"role": changed.role})
    reason = f": {changed.reason}" if changed.reason else ""
    _audit(connection, entry, changed.name, f"{changed.was} to {changed.role}{reason}")


@_derive.register
def _person_left(left: PersonLeft, connection: Connection, entry: Entry) -> None:
    _change_person(connection, left.name, {"active": False})
    _audit(connection, entry, left.name, left.reason)


def _change_person(connection: Connection, name: str, changes: dict[str, Any]) -> None:
    named = tables.person.update().where(tables.person.c.name == name)
    if connection.execute(named, changes).rowcount == 0:
        raise BadInput("{name} is not on record: add the person first.", name=name)


def _audit(connection: Connection, entry: Entry, about: str, detail: str) -> None:
    _add(connection, tables.door, entry, event=entry.kind, about=about, detail=detail)


@_derive.register
def _tool_added(added: ToolAdded, connection: Connection, entry: Entry) -> None:
    row = _said(tables.tool, entry, nests=canonical_json(added.nests))
    connection.execute(tables.tool.insert().prefix_with("OR REPLACE"), row)


@_derive.register
def _baseline_set(baseline: BaselineSet, connection: Connection, entry: Entry) -> None:
    key = {"joint_key": baseline.joint.key, "baseline_version": baseline.baseline_version}
    if connection.execute(tables.found(tables.baseline, **key)).first() is not None:
        raise BadInput(
            f"The joint {baseline.joint.key} already has a baseline version "
            f"{baseline.baseline_version}, and baselines are frozen: give the next version."
        )
    _add(connection, tables.baseline, entry, **key)


@_derive.register
def _job_begun(_begun: JobBegun, connection: Connection, entry: Entry) -> None:
    _add(connection, _job, entry, begun_seq=entry.seq, job_id=entry.id)


@_derive.register
def _job_step(step: JobStep | JobStepOf, connection: Connection, entry: Entry) -> None:
    if isinstance(step, SampleLookedAt) and not step.job_id:
        return
    _check_job_open(connection, step.job_id)
    _add(connection, tables.job_entry, entry)
    if isinstance(step, JobStep) and step.step == NEST_OUTCOME:
        _nest_checked(connection, entry, step)


@_derive.register
def _job_ended(ended: JobEnded, connection: Connection, entry: Entry) -> None:
    _check_job_open(connection, ended.job_id)
    in_hand = tables.found(_sample, job_id=ended.job_id).where(tables.OPEN_SAMPLE)
    if connection.execute(in_hand).first() is not None:
        raise BadInput(
            "The job {job_id} has a sample in hand: finish it or void it, then end the job.",
            job_id=ended.job_id,
        )
    change = {"ended_seq": entry.seq, "outcome": ended.outcome}
    connection.execute(_job.update().where(_job.c.job_id == ended.job_id), change)
    _add(connection, tables.job_entry, entry)


def _check_job_open(connection: Connection, job_id: str) -> None:
    """Refuse what belongs to a job that is not on record or has ended (BadInput)."""
    found = run(connection, _FIND_JOB, {"of_job": job_id}).first()
    if found is None:
        raise BadInput(
            "The job {job_id} is not on record: list the jobs, then give its id.", job_id=job_id
        )
    if found.ended_seq is not None:
        raise BadInput(
            "The job {job_id} has ended, and nothing can be added: start another.", job_id=job_id
        )


@_derive.register
def _nest_released(released: NestReleased, connection: Connection, entry: Entry) -> None:
    held = _hold.update().where(
        _hold.c.tool == released.tool,
        _hold.c.nest == released.nest,
        _hold.c.released_seq.is_(None),
    )
    if connection.execute(held, {"released_seq": entry.seq}).rowcount == 0:
        raise BadInput(
            "Nest {nest} of {tool} is not held: nothing to release.",
            nest=released.nest,
            tool=released.tool,
        )


def _nest_checked(connection: Connection, entry: Entry, step: JobStep) -> None:
    names = ("tool", "nest", "outcome", "needs")
    row = {name: str(step.content.get(name, "")) for name in names}
    found = tables.found(tables.nest_check, job_id=step.job_id, tool=row["tool"], nest=row["nest"])
    if connection.execute(found).first() is not None:
        raise BadInput(
            "What the job {job_id} found of {row}, nest {row_2} is on record already: "
            "it is found once.",
            job_id=step.job_id,
            row=row["tool"],
            row_2=row["nest"],
        )
    _add(connection, tables.nest_check, entry, **row)


@_derive.register
def _work_done(done: WorkDone, connection: Connection, entry: Entry) -> None:
    _add(connection, tables.work, entry, day=done.day.isoformat())
