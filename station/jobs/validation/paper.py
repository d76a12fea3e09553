"""The paper of a tool validation."""

from collections.abc import Mapping, Sequence

from markupsafe import Markup

from calibration.saying import say
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import NOTHING, quantity, shown_scale
from station.jobs.papers.frame import Paper, Section, job_facts, joined, paper, sentences, table
from station.jobs.papers.plots import Level, Row, strip_plot
from station.jobs.sample import JobSample
from station.jobs.step import OUTCOME_WORDS
from station.jobs.validation.judge import WHAT, JointResult, joint_words
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.record import Validation
from station.jobs.validation.replaced import ToolComparison
from station.jobs.validation.tolerance import Finding

MODE_WORDS = {**FAILURE_MODES, "not named": say("not named")}


def validation_paper(
    job: Validation,
    comparisons: Mapping[str, ToolComparison | None],
    *,
    marks: Sequence[str] = (),
    size: Paper = "a4",
) -> str:
    """A validation as one HTML file.

    Parameters
    ----------
    comparisons
        With the tool that is replaced, by joint key.
    marks
        What must be said first, such as that the records are invented.
    """
    ended = job.record.ended
    word = job.result.outcome if ended is None else ended.outcome
    sections = [
        Section("What decided", sentences(job.result.reasons)),
        *(
            Section(
                joint_words(result.joint),
                _joint(job.plan, result, job.samples, comparisons.get(result.joint.key)),
            )
            for result in job.result.joints
        ),
        Section("Plan in force", _plan(job.plan)),
    ]
    signatures = [] if ended is None else [f"{name}, lead" for name in ended.signatures]
    return paper(
        f"Validation of tool {job.scope.tool}",
        OUTCOME_WORDS[word],
        _facts(job),
        sections,
        marks=[*marks, *([] if ended else ["Not ended: how it stands now."])],
        signatures=signatures,
        record_hash=None if ended is None else ended.record_hash,
        size=size,
    )


def _facts(job: Validation) -> list[tuple[str, str]]:
    return [
        ("Tool", job.scope.tool),
        ("Nests", ", ".join(job.scope.nests)),
        (say("Limit set"), f"{job.scope.limit_set}, guard factor {job.scope.guard:g}"),
        *job_facts(job.record, job.plan),
    ]


def _joint(
    plan: ToolValidationPlan,
    result: JointResult,
    samples: Sequence[JobSample],
    comparison: ToolComparison | None,
) -> Markup:
    counted = [sample for sample in samples if sample.sample_id in result.counted]
    state = result.state.replace("_", " ")
    modes = ", ".join(f"{MODE_WORDS.get(mode, mode)}: {n}" for mode, n in result.modes.items())
    parts = [
        Markup("<p><strong>{}</strong>: {} of {} samples, {} void.</p>").format(
            state.capitalize(), len(result.counted), result.planned, result.voids
        ),
        table(
            (
                "Criterion",
                "n",
                "Middle",
                "Bound",
                "Limit",
                "With guard",
                "Ppk",
                say("Ppk at least"),
            ),
            [_row(found) for found in result.findings],
            numbers=7,
        ),
        *(finding_plot(found, counted) for found in result.findings),
        Markup("<p>How they let go: {}.</p>").format(modes or "nothing pulled yet"),
        sentences([*_passes(plan, result), *compared(comparison), *result.remarks]),
    ]
    return joined(parts)


def _row(found: Finding) -> list[str]:
    return [
        WHAT.get(found.criterion, found.criterion),
        str(found.n),
        quantity(found.middle, found.unit),
        quantity(found.bound, found.unit),
        quantity(found.limit, found.unit),
        quantity(found.demanded, found.unit),
        NOTHING if found.ppk is None else f"{found.ppk:.2f}",
        NOTHING if found.ppk_lower_bound is None else f"{found.ppk_lower_bound:.2f}",
    ]


def finding_plot(found: Finding, samples: Sequence[JobSample]) -> Markup:
    """The values of one criterion with limit and bound."""
    factor, unit = shown_scale(found.unit)
    values = [
        factor * one.value
        for sample in samples
        if (one := sample.criterion(found.criterion)) and one.value is not None
    ]
    what = WHAT.get(found.criterion, found.criterion)
    levels = [Level(factor * found.demanded, "limit with guard", alarm=True)]
    if found.bound is not None:
        levels.append(Level(factor * found.bound, "tolerance bound"))
    return strip_plot(f"{what} of every sample", unit, [Row(what, values)], levels)


def _passes(plan: ToolValidationPlan, result: JointResult) -> list[str]:
    if result.reliability is None:
        return []
    return [
        f"By passes alone, without any distribution: with {plan.confidence:.0%} confidence at "
        f"least {result.reliability:.1%} of such crimps pass."
    ]


def compared(comparison: ToolComparison | None) -> list[str]:
    """A new tool beside the old one, in sentences."""
    if comparison is None or comparison.force_difference_n is None:
        return []
    found = [f"Beside {comparison.tool} ({comparison.n_old} samples of the same joint):"]
    for words, estimate, unit in (
        (say("pull force"), comparison.force_difference_n, "N"),
        ("resistance", comparison.resistance_difference_ohm, "ohm"),
    ):
        if estimate is not None:
            found.append(
                f"{words} differs by {quantity(estimate.value, unit)} (95 % interval "
                f"{quantity(estimate.low, unit)} to {quantity(estimate.high, unit)}), new less old."
            )
    return found


def _plan(plan: ToolValidationPlan) -> Markup:
    numbers = (
        f"{plan.samples_per_joint} samples of each joint; at least {plan.coverage:.0%} of crimps "
        f"within the limit with {plan.confidence:.0%} confidence, per joint; "
        f"{plan.fails_allowed} fails and {plan.voids_allowed} voids allowed."
    )
    return sentences([numbers, *plan.reasoning])
