"""What each kind of entry does to the read tables.

The same functions run when an entry is appended and when the tables are rebuilt, so a rebuilt
table cannot differ from the one that grew.
"""

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Row, bindparam, select
from sqlalchemy.dialects.sqlite import insert

from calibration.saying import say
from station.errors import BadInput
from station.ledger import tables
from station.ledger.chain import canonical_json, spelled, utc_text
from station.ledger.derive_jobs import check_job_open, derive_job
from station.ledger.entries import (
    BaselineSet,
    Correction,
    CriterionResult,
    DoorEvent,
    InstrumentCalibrated,
    InstrumentChecked,
    Joint,
    Payload,
    PersonAdded,
    PersonLeft,
    PullBegun,
    PullResult,
    ResistanceResult,
    RoleChanged,
    SampleBegun,
    SampleFinished,
    SampleImported,
    ToolAdded,
    ToolServiced,
)
from station.ledger.entry import Entry
from station.ledger.rows import IMPORTED

ALL_TIME = "all time"
"""What ``tally`` has for a quarter of an hour where it counts everything.

It sorts after every time, and so stands beside the latest quarter: a sample changes one page.
"""


_AS_IMPORTED = ("splice_ohm", "splice_u_ohm", "peak_n", "peak_u_n", "failure_mode")

BEGUN = "begun"
"""What ``tally`` counts besides verdicts."""

FIRST_DEMO_KEY = "first_demo_seq"
"""Where ``meta`` keeps the number of the first invented entry."""

_sample = tables.sample

_of_sample = _sample.c.sample_id == bindparam("of_sample")
_CHANGE = _sample.update().where(_of_sample)
_FINISH = _CHANGE.where(tables.OPEN_SAMPLE)
_FIND_SAMPLE = select(
    _sample.c.finished_seq, _sample.c.verdict, _sample.c.at_utc, _sample.c.person
).where(_of_sample)
_adding = insert(tables.tally)
_COUNT = _adding.on_conflict_do_update(
    index_elements=["quarter", "person", "what"], set_={"n": tables.tally.c.n + _adding.excluded.n}
)
_NOTE_INSTRUMENT = insert(tables.instrument_used).on_conflict_do_nothing()
_FIND_ENTRY = select(tables.entry.c.kind, tables.entry.c.payload).where(
    tables.entry.c.id == bindparam("of_entry")
)
_FORGET_PERSON = tables.person.delete().where(tables.person.c.name == bindparam("of_name"))
_CHANGE_PERSON = tables.person.update().where(tables.person.c.name == bindparam("of_name"))
_FORGET_TOOL = tables.tool.delete().where(tables.tool.c.tool == bindparam("of_tool"))
_FIND_BASELINE = select(tables.baseline.c.entry_id).where(
    tables.baseline.c.joint_key == bindparam("joint_key"),
    tables.baseline.c.baseline_version == bindparam("baseline_version"),
)
_MARK_DEMO = insert(tables.meta).on_conflict_do_nothing()


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
    payload = entry.payload
    match payload:
        case SampleFinished():
            _sample_finished(connection, entry, payload)
        case SampleBegun():
            _sample_begun(connection, entry, payload)
        case PullBegun():
            change = {"of_sample": payload.sample_id, "pull_begun_seq": entry.seq}
            connection.execute(_CHANGE, change)
        case SampleImported():
            _sample_imported(connection, entry, payload)
        case Correction():
            _correction(connection, payload)
        case PersonAdded() | RoleChanged() | PersonLeft() | DoorEvent():
            _people(connection, entry, payload)
        case ToolAdded() | ToolServiced() | BaselineSet():
            _tools(connection, entry, payload)
        case InstrumentCalibrated() | InstrumentChecked():
            _instrument_event(connection, entry, payload)
        case _:
            derive_job(connection, entry, payload)
    if payload.demo:
        connection.execute(_MARK_DEMO, {"key": FIRST_DEMO_KEY, "value": str(entry.seq)})


def _tools(
    connection: Connection, entry: Entry, payload: ToolAdded | ToolServiced | BaselineSet
) -> None:
    match payload:
        case ToolAdded():
            _tool_added(connection, entry, payload)
        case ToolServiced():
            _tool_serviced(connection, entry, payload)
        case BaselineSet():
            _baseline_set(connection, entry, payload)


def _sample_begun(connection: Connection, entry: Entry, begun: SampleBegun) -> None:
    replaces = begun.offered_again_for
    if replaces and _found(connection, replaces) is None:
        raise BadInput(f"The sample {replaces} to be replaced is not on record: check its id.")
    if begun.job_id is not None:
        check_job_open(connection, begun.job_id)
    row = {
        "begun_seq": entry.seq,
        "sample_id": entry.id,
        "replaces": replaces,
        "simulated": False,
        "job_id": begun.job_id,
        "step": begun.step,
        **_described(utc_text(entry.at_utc), entry.person, begun),
    }
    connection.execute(_sample.insert(), row)
    _count(connection, entry.person, BEGUN)


def _sample_finished(connection: Connection, entry: Entry, finished: SampleFinished) -> None:
    resistance, pull = finished.resistance, finished.pull
    at_utc, person = utc_text(entry.at_utc), entry.person
    used = [result.instrument for result in (resistance, pull) if result is not None]
    row = {
        "of_sample": finished.sample_id,
        "finished_seq": entry.seq,
        "limit_standing": finished.limit_standing,
        "verdict": finished.verdict,
        "void_reason": finished.void_reason,
        "void_by": finished.void_by,
        "measured_verdict": _measured_verdict(finished.criteria),
        "pull_limit_n": _limit_n(finished.criteria),
        "simulated": any(instrument.simulated for instrument in used),
        **_described(at_utc, person, finished),
        **_resistance(resistance),
        **_pull(pull),
    }
    if connection.execute(_FINISH, row).rowcount == 0:
        _refuse_finish(connection, finished.sample_id)
    _count(connection, person, finished.verdict, at_utc)
    for role in ("meter", "tester"):
        if (instrument := row.get(role)) is not None:
            connection.execute(_NOTE_INSTRUMENT, {"role": role, "instrument": instrument})


def _sample_imported(connection: Connection, entry: Entry, imported: SampleImported) -> None:
    """Add a sample that is finished as soon as it is on record."""
    at_utc = utc_text(imported.measured_at)
    verdict = imported.verdict or "undecided"
    row = {
        "begun_seq": entry.seq,
        "finished_seq": entry.seq,
        "sample_id": entry.id,
        "at_utc": at_utc,
        "person": imported.measured_by,
        "job": IMPORTED,
        "limit_set": imported.limit_set,
        "verdict": verdict,
        "demo": imported.demo,
        "simulated": False,
        **_joint(imported.joint),
        **{name: getattr(imported, name) for name in _AS_IMPORTED},
    }
    connection.execute(_sample.insert(), row)
    _count(connection, imported.measured_by, BEGUN)
    _count(connection, imported.measured_by, verdict, at_utc)


def quarter_of(at_utc: str) -> str:
    """Return the quarter of an hour in which a time lies, both as `utc_text`, the latter cut."""
    minute = int(at_utc[14:16]) // 15 * 15
    return f"{at_utc[:14]}{minute:02d}"


def _count(
    connection: Connection, person: str, what: str, at_utc: str | None = None, change: int = 1
) -> None:
    """Count in all and, where a time is given, in its quarter of an hour."""
    for quarter in (ALL_TIME, *([quarter_of(at_utc)] if at_utc else [])):
        row = {"quarter": quarter, "person": person, "what": what, "n": change}
        connection.execute(_COUNT, row)


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


def _found(connection: Connection, sample_id: str) -> Row[Any, Any, Any, Any] | None:
    """Return how a sample stands, or None if it was never begun."""
    return connection.execute(_FIND_SAMPLE, {"of_sample": sample_id}).first()


def _described(at_utc: str, person: str, payload: SampleBegun | SampleFinished) -> dict[str, Any]:
    return {
        "at_utc": at_utc,
        "person": person,
        "job": payload.job,
        "limit_set": payload.limit_set,
        "demo": payload.demo,
        **_joint(payload.joint),
    }


def _joint(joint: Joint) -> dict[str, str]:
    return {
        "connector": joint.connector,
        "wires": spelled(joint.wires),
        "material": joint.material,
        "tool": joint.tool,
        "nest": joint.nest,
        "joint_key": joint.key,
    }


def _resistance(result: ResistanceResult | None) -> dict[str, Any]:
    if result is None:
        return {}
    return {
        "splice_ohm": result.splice_ohm,
        "splice_u_ohm": result.u_ohm,
        "meter": result.instrument.name,
    }


def _pull(result: PullResult | None) -> dict[str, Any]:
    if result is None:
        return {}
    return {
        "peak_n": result.peak_n,
        "peak_u_n": result.u_n,
        "failure_mode": result.failure_mode,
        "trace_sha256": result.trace_sha256,
        "tester": result.instrument.name,
    }


def _limit_n(criteria: Iterable[CriterionResult]) -> float | None:
    """Return the pull limit; the strictest, where several sets were asked."""
    limits = [
        result.limit
        for result in criteria
        if result.criterion == "pull_force_min" and result.unit == "N"
    ]
    return max(limits, default=None)


def _measured_verdict(criteria: Iterable[CriterionResult]) -> str | None:
    """Return the worst verdict of what was measured, void or not; None where nothing was."""
    found = {result.verdict for result in criteria if result.value is not None}
    for word in ("fail", "undecided", "pass"):
        if word in found:
            return word
    return None


def _correction(connection: Connection, correction: Correction) -> None:
    corrected = correction.corrects_id
    found = connection.execute(_FIND_ENTRY, {"of_entry": corrected}).first()
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
    if found.kind == SampleFinished.KIND:
        of_sample = SampleFinished.model_validate_json(found.payload).sample_id
    else:
        of_sample = corrected
    sample = _found(connection, of_sample)
    if sample is None:
        raise BadInput(
            f"The entry {corrected} is not a sample, so it has no verdict or failure mode to "
            "correct: give the id of a sample."
        )
    connection.execute(_CHANGE, {"of_sample": of_sample} | changes)
    if correction.void_sample and sample.verdict != "void":
        if sample.verdict is not None:
            _count(connection, sample.person, sample.verdict, sample.at_utc, -1)
        _count(connection, sample.person, "void", sample.at_utc)


def _people(
    connection: Connection, entry: Entry, said: PersonAdded | RoleChanged | PersonLeft | DoorEvent
) -> None:
    """Who is on record with which role, and all of it in the audit."""
    match said:
        case DoorEvent():
            _audit(connection, entry, said.event, said.about, said.detail, said)
        case PersonAdded():
            row = {"name": said.name, "role": said.role, "active": True, **_noted(entry)}
            connection.execute(_FORGET_PERSON, {"of_name": said.name})
            connection.execute(tables.person.insert(), row)
            _audit(connection, entry, said.KIND, said.name, said.role)
        case RoleChanged():
            _change_person(connection, said.name, {"role": said.role})
            detail = f"{said.was} to {said.role}" + (f": {said.reason}" if said.reason else "")
            _audit(connection, entry, said.KIND, said.name, detail)
        case PersonLeft():
            _change_person(connection, said.name, {"active": False})
            _audit(connection, entry, said.KIND, said.name, said.reason)


def _change_person(connection: Connection, name: str, changes: dict[str, Any]) -> None:
    if connection.execute(_CHANGE_PERSON, {"of_name": name} | changes).rowcount == 0:
        raise BadInput("{name} is not on record: add the person first.", name=name)


def _audit(
    connection: Connection,
    entry: Entry,
    event: str,
    about: str,
    detail: str,
    door: DoorEvent | None = None,
) -> None:
    row = {
        "seq": entry.seq,
        "event": event,
        "about": about,
        "person": entry.person,
        "way": door.way if door else None,
        "address": door.address if door else None,
        "detail": detail,
        **_noted(entry),
    }
    connection.execute(tables.door.insert(), row)


def _tool_added(connection: Connection, entry: Entry, added: ToolAdded) -> None:
    row = {"tool": added.tool, "description": added.description, **_noted(entry)}
    connection.execute(_FORGET_TOOL, {"of_tool": added.tool})
    connection.execute(tables.tool.insert(), row | {"nests": canonical_json(added.nests)})


def _tool_serviced(connection: Connection, entry: Entry, service: ToolServiced) -> None:
    row = {"seq": entry.seq, "person": entry.person, **_noted(entry)}
    named = {"tool": service.tool, "nest": service.nest, "action": service.action}
    connection.execute(tables.nest_service.insert(), row | named)


def _baseline_set(connection: Connection, entry: Entry, baseline: BaselineSet) -> None:
    key = {"joint_key": baseline.joint.key, "baseline_version": baseline.baseline_version}
    if connection.execute(_FIND_BASELINE, key).first() is not None:
        raise BadInput(
            f"The joint {baseline.joint.key} already has a baseline version "
            f"{baseline.baseline_version}, and baselines are frozen: give the next version."
        )
    connection.execute(tables.baseline.insert(), key | {"entry_id": entry.id})


def _instrument_event(
    connection: Connection, entry: Entry, event: InstrumentCalibrated | InstrumentChecked
) -> None:
    row = {
        "seq": entry.seq,
        "entry_id": entry.id,
        "kind": event.KIND,
        "role": event.role,
        "instrument": event.instrument,
    }
    connection.execute(tables.instrument_event.insert(), row)


def _noted(entry: Entry) -> dict[str, Any]:
    payload: Payload = entry.payload
    return {"at_utc": utc_text(entry.at_utc), "demo": payload.demo}
