"""Tool validations on record: begun, followed, and ended with the baselines they set."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any, cast

from calibration.saying import join, say
from station.crimp.limits import LimitSets
from station.crimp.wire import weakest_wire
from station.errors import BadInput, CalibrationNeeded
from station.jobs.record import (
    JobRead,
    demand_open,
    job_begun,
    plain,
    record_hash_of,
    record_of,
    samples_with_replaced,
    unfinished_samples,
)
from station.jobs.sample import JobSample
from station.jobs.sample_order import SampleOrder
from station.jobs.step import Step
from station.jobs.validation.judge import (
    GaugeLook,
    JointResult,
    ValidationResult,
    ended_early,
    joint_words,
    judge_tool,
)
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.replaced import ToolComparison, compared_with_replaced
from station.jobs.validation.steps import (
    CRIMP_HEIGHT,
    GAUGE_CHECK,
    NEST_GAUGE,
    ValidationScope,
    look_of,
    stale_checks,
    validation_steps,
)
from station.ledger.entries import BaselineSet, JobEnded, JobStep
from station.ledger.jobs import job_record, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.checks import LastCheck, checks_by_role
from station.shop.nests import known_tool
from station.shop.rights import Right, demand
from station.statistics.pooling import baseline_of

JOB = "tool_validation"


@dataclass(frozen=True)
class Validation(JobRead):
    """One validation as it stands: a function of the record."""

    plan: ToolValidationPlan
    scope: ValidationScope
    samples: tuple[JobSample, ...]
    looks: tuple[GaugeLook, ...]
    result: ValidationResult


def begin(
    ledger: Ledger,
    plan: ToolValidationPlan,
    scope: ValidationScope,
    limit_sets: LimitSets,
    *,
    person: str,
) -> str:
    """Begin a validation; return the job's id.

    Raises
    ------
    BadInput, NoLimit
        The tool or a nest is not on record, a joint comes twice or is of another tool, pull or
        resistance of a wire has no limit, or the tool is being validated already.
    """
    _check_scope(ledger.reader, scope)
    for joint in scope.joints:
        limit_sets.judging(weakest_wire(joint.wires), scope.limit_set, in_full=True)
    begun = job_begun(JOB, plan, scope.as_content(), demo=ledger.reader.is_demo())
    # What is open already is looked up while nobody else can begin the same.
    with ledger.transaction():
        _check_not_under_way(ledger.reader, scope.tool)
        return ledger.append(begun, person=person).id


def _check_not_under_way(reader: LedgerReader, tool: str) -> None:
    """Refuse a second validation: the samples of two would be a choice between them."""
    for row in jobs(reader, job=JOB, only_open=True):
        if ValidationScope.from_content(job_record(reader, row.job_id).begun.scope).tool == tool:
            raise BadInput(
                "{tool} is being validated already, since {at_utc:%Y-%m-%d}: go on "
                "with job {job_id}, or end it first.",
                tool=tool,
                at_utc=row.at_utc,
                job_id=row.job_id,
            )


def _check_scope(reader: LedgerReader, scope: ValidationScope) -> None:
    known = known_tool(reader, scope.tool)
    if scope.replaces:
        known_tool(reader, scope.replaces)
    if not scope.joints:
        raise BadInput("Name at least one joint that the tool is validated for.")
    keys = [joint.key for joint in scope.joints]
    if len(set(keys)) < len(keys):
        raise BadInput("A joint comes twice: name each once.")
    for joint in scope.joints:
        if joint.tool != scope.tool or joint.nest not in known.nests:
            raise BadInput(
                "{tool} has no nest {nest!r}: use one of {known}.",
                tool=scope.tool,
                nest=joint.nest,
                known=", ".join(known.nests),
            )


def read(reader: LedgerReader, job_id: str) -> Validation:
    """Read a validation from the record (NotOnRecord if there is none with this id)."""
    record = record_of(reader, job_id, JOB)
    plan = ToolValidationPlan.model_validate(record.begun.plan)
    scope = ValidationScope.from_content(record.begun.scope)
    samples = tuple(samples_with_replaced(reader, record.samples))
    looks = tuple(
        look
        for taken in record.steps
        if (look := look_of(taken.step.step, taken.step.content)) is not None
    )
    result = judge_tool(plan, scope.joints, samples, looks, guard=scope.guard)
    return Validation(record, plan, scope, samples, looks, result)


def next_steps(reader: LedgerReader, job: Validation, now: datetime) -> list[Step]:
    """What comes next; nothing once it has ended."""
    if not job.open:
        return []
    checks = checks_by_role(reader)
    return list(validation_steps(job.plan, job.scope, job.result, job.looks, checks, now))


def order(
    ledger: Ledger, job: Validation, joint_key: str | None, *, person: str, now: datetime
) -> SampleOrder:
    """Order the next sample of a joint, the first unfinished one where none is named.

    The checks of the instruments that the sample rests on go into the record with it.

    Raises
    ------
    BadInput
        The job has ended, or the joint has all its samples.
    CalibrationNeeded
        The plan demands a fresh check of an instrument first.
    """
    demand_open(job.record)
    wanted = [
        result
        for result in job.result.joints
        if result.state == "not_finished"
        and result.missing
        and joint_key in (None, result.joint.key)
    ]
    if not wanted:
        raise BadInput("No sample is missing there: every joint has its number or is refused.")
    checks = checks_by_role(ledger.reader)
    stale = [reason for _role, reason in stale_checks(job.plan, checks, now)]
    if stale:
        raise CalibrationNeeded(join((*stale, say("Check it against a standard, then go on."))))
    _note_checks(ledger, job, checks, person)
    joint = wanted[0].joint
    left = [
        row.sample_id
        for row in unfinished_samples(ledger.reader, job.job_id)
        if row.joint_key == joint.key
    ]
    return SampleOrder(
        person,
        JOB,
        joint,
        job.scope.limit_set,
        # One that was interrupted is made again first; it then counts as void.
        offered_again_for=left[0] if left else None,
        job_id=job.job_id,
        step="sample",
    )


def _note_checks(
    ledger: Ledger, job: Validation, checks: dict[str, LastCheck], person: str
) -> None:
    content = {role: check.entry_id for role, check in sorted(checks.items())}
    noted = job.record.steps_named(GAUGE_CHECK)
    if content and (not noted or noted[-1].step.content != content):
        _note(ledger, job, GAUGE_CHECK, content, person)


def enter_nest_gauge(
    ledger: Ledger,
    job: Validation,
    nest: str,
    gauge: str,
    *,
    go_enters: bool,
    no_go_stops: bool,
    person: str,
) -> GaugeLook:
    """Enter a go/no-go look at a nest; an empty ``gauge`` says that the shop has none."""
    if nest not in job.scope.nests:
        raise BadInput(
            "Nest {nest!r} is not validated here: use {nests}.",
            nest=nest,
            nests=", ".join(job.scope.nests),
        )
    content = {"nest": nest, "gauge": gauge, "go_enters": go_enters, "no_go_stops": no_go_stops}
    return _enter_look(ledger, job, NEST_GAUGE, content, person)


def enter_crimp_heights(
    ledger: Ledger,
    job: Validation,
    joint_key: str,
    heights_mm: Sequence[float],
    lower_mm: float,
    upper_mm: float,
    *,
    person: str,
) -> GaugeLook:
    """Enter crimp heights of a joint; no heights say that the shop does not measure them.

    Raises
    ------
    BadInput
        The joint is not part of the job, there are too few heights, or the limits are crossed.
    """
    if job.scope.joint(joint_key) is None:
        raise BadInput(f"{joint_key} is not validated here.")
    if heights_mm and len(heights_mm) < job.plan.crimp_heights:
        raise BadInput(
            "Measure {crimp_heights} crimps: {count} heights were given.",
            crimp_heights=job.plan.crimp_heights,
            count=len(heights_mm),
        )
    if heights_mm and not (0.0 < lower_mm < upper_mm and min(heights_mm) > 0.0):
        raise BadInput("Heights are above zero, and the lower limit is below the upper one.")
    content = {
        "joint_key": joint_key,
        "heights_mm": list(heights_mm),
        "lower_mm": lower_mm,
        "upper_mm": upper_mm,
    }
    return _enter_look(ledger, job, CRIMP_HEIGHT, content, person)


def _enter_look(
    ledger: Ledger, job: Validation, step: str, content: dict[str, Any], person: str
) -> GaugeLook:
    demand_open(job.record)
    _note(ledger, job, step, content, person)
    return cast(GaugeLook, look_of(step, content))


def end(ledger: Ledger, job: Validation, signer: PersonRow, *, give_up: bool = False) -> JobEnded:
    """End a validation and set the baselines of the accepted joints, all or nothing.

    Parameters
    ----------
    signer
        A lead, known to be who they say.
    give_up
        End it though joints are not finished: those are not accepted.

    Raises
    ------
    NotAllowed
        The signer is no lead.
    BadInput
        It has ended, or joints are not finished and it was not given up.
    """
    demand(signer, Right.SIGN_OFF)
    demand_open(job.record)
    if job.result.outcome == "not_finished" and not give_up:
        raise BadInput(
            "The validation is not finished: {reasons} Go on, or give it up: then what is "
            "not finished is not accepted.",
            reasons=join(job.result.reasons),
        )
    ended = JobEnded(
        demo=job.record.row.demo,
        job_id=job.job_id,
        outcome=ended_early(job.result),
        reasons=job.result.reasons,
        figures=figures_of(ledger.reader, job),
        scope=job.record.begun.scope,
        signatures=(signer.name,),
        record_hash=record_hash_of(ledger.reader, job.record),
    )
    with ledger.transaction():
        for baseline in list(_baselines(ledger.reader, job)):
            ledger.append(baseline, person=signer.name)
        ledger.append(ended, person=signer.name)
    return ended


def figures_of(reader: LedgerReader, job: Validation) -> dict[str, Any]:
    """What the end of a job keeps of its numbers."""
    return {
        "joints": [_joint_figures(reader, job, result) for result in job.result.joints],
        "voids": sum(result.voids for result in job.result.joints),
    }


def _joint_figures(reader: LedgerReader, job: Validation, result: JointResult) -> dict[str, Any]:
    comparison = replaced_by(reader, job, result)
    found = {field.name: getattr(result, field.name) for field in fields(result)}
    return plain(
        found
        | {
            "joint": result.joint.model_dump(mode="json"),
            "joint_words": joint_words(result.joint),
            "findings": [asdict(item) for item in result.findings],
            "replaced": None if comparison is None else asdict(comparison),
        }
    )


def replaced_by(
    reader: LedgerReader, job: Validation, result: JointResult
) -> ToolComparison | None:
    """The same joint of the tool that is replaced, side by side; None without enough samples."""
    if job.scope.replaces is None:
        return None
    rows = [
        row
        for row in reader.samples(tool=job.scope.replaces, limit=2_000)
        if (row.connector, row.wires, row.material)
        == (result.joint.connector, result.joint.wires, result.joint.material)
        and row.verdict not in (None, "void")
    ]
    new = [sample for sample in job.samples if sample.sample_id in result.counted]
    return compared_with_replaced(job.scope.replaces, new, rows[:200])


def _baselines(reader: LedgerReader, job: Validation) -> Iterator[BaselineSet]:
    known = reader.baselines()
    for result in job.result.joints:
        own = [sample for sample in job.samples if sample.sample_id in result.counted]
        made = baseline_by(own, demo=job.record.row.demo) if result.state == "accepted" else None
        if made is not None:
            before = known.get(result.joint.key)
            version = 1 if before is None else before.baseline_version + 1
            yield made.model_copy(update={"baseline_version": version})


def baseline_by(samples: Sequence[JobSample], *, demo: bool) -> BaselineSet | None:
    """The first baseline of a joint, by its samples in SI units.

    None where force or resistance was not measured of all, or does not spread.
    """
    ratios = [value for sample in samples if (value := sample.force_ratio) is not None]
    logs = [value for sample in samples if (value := sample.log_resistance) is not None]
    if min(len(ratios), len(logs)) < len(samples):
        return None
    try:
        force, resistance = baseline_of(ratios), baseline_of(logs)
    except ValueError:
        return None
    return BaselineSet(
        demo=demo,
        joint=samples[0].joint,
        baseline_version=1,
        n=len(samples),
        force_ratio_center=force.center,
        force_ratio_sigma=force.sigma,
        log_resistance_center=resistance.center,
        log_resistance_sigma=resistance.sigma,
        sample_ids=tuple(sample.sample_id for sample in samples),
    )


def _note(ledger: Ledger, job: Validation, step: str, content: dict[str, Any], person: str) -> None:
    entry = JobStep(demo=job.record.row.demo, job_id=job.job_id, step=step, content=content)
    ledger.append(entry, person=person)
