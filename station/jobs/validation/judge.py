"""Validating a tool: from the samples of its joints to accepted, accepted in part, or refused.

A joint is judged when it has exactly the number of samples that the plan fixed beforehand, by the
first so many that are not void. What is known on the way (the chance of passing) is shown and never
accepts anything. A joint may be refused earlier only where nothing could save it any more.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from station.crimp.pull.reduce import FAILURE_MODES
from station.jobs.sample import JobSample
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.tolerance import Finding, finding
from station.ledger.entries import Joint
from station.statistics.capability import reliability_bound

JointState = Literal["accepted", "refused", "not_finished"]
Outcome = Literal["accepted", "accepted_in_part", "refused", "not_finished"]

WHAT = {
    "pull_force_min": "pull force",
    "voltage_drop_max": "voltage drop",
    "resistance_max": "resistance",
    "resistance_ratio_max": "resistance ratio",
}


@dataclass(frozen=True, slots=True)
class GaugeLook:
    """A look at a nest or at crimps with a gauge, beside the samples.

    Attributes
    ----------
    kind
        ``nest_gauge`` (go/no-go, of a nest) or ``crimp_height`` (of a joint).
    of
        Nest, or joint key.
    good
        None where the shop has no such gauge.
    words
        What was seen, in one sentence.
    """

    kind: Literal["nest_gauge", "crimp_height"]
    of: str
    good: bool | None
    words: str


@dataclass(frozen=True, slots=True)
class JointResult:
    """What the samples of one joint show.

    Attributes
    ----------
    counted
        Identifiers of the samples that count, in order.
    modes
        How often each way of letting go was seen.
    reliability
        Lower bound of the share that passes, by the plan's confidence, from passes alone.
    chance
        Of every criterion being met in the end (the smallest); None while nothing can be foreseen.
    reasons
        Why the state is what it is, in sentences.
    remarks
        What a person should know and what decides nothing.
    """

    joint: Joint
    state: JointState
    counted: tuple[str, ...]
    planned: int
    voids: int
    findings: tuple[Finding, ...]
    modes: Mapping[str, int]
    reliability: float | None
    chance: float | None
    reasons: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def missing(self) -> int:
        """Samples still to be made."""
        return self.planned - len(self.counted)


@dataclass(frozen=True, slots=True)
class ValidationResult:
    """The whole tool, as it stands."""

    outcome: Outcome
    joints: tuple[JointResult, ...]
    reasons: tuple[str, ...]


def judge_tool(
    plan: ToolValidationPlan,
    joints: Sequence[Joint],
    samples: Sequence[JobSample],
    looks: Sequence[GaugeLook] = (),
    *,
    guard: float,
) -> ValidationResult:
    """Judge a tool by everything that was found so far.

    Parameters
    ----------
    joints
        Those that the tool is validated for.
    samples
        Finished samples of the job in time order, voids among them.
    looks
        Gauge looks in time order; the last one of a nest or joint counts.
    guard
        Guard factor of the verdicts, as recorded with the job.
    """
    results = tuple(
        judge_joint(
            plan,
            joint,
            [sample for sample in samples if sample.joint.key == joint.key],
            looks,
            guard=guard,
        )
        for joint in joints
    )
    return ValidationResult(_outcome(results), results, tuple(_sentences(results)))


def _outcome(results: Sequence[JointResult]) -> Outcome:
    states = {result.state for result in results}
    if states == {"accepted"}:
        return "accepted"
    if "not_finished" in states:
        return "not_finished"
    return "accepted_in_part" if "accepted" in states else "refused"


def ended_early(result: ValidationResult) -> Outcome:
    """The outcome where a person ends the job now: what is not finished is not accepted."""
    if result.outcome != "not_finished":
        return result.outcome
    accepted = any(joint.state == "accepted" for joint in result.joints)
    return "accepted_in_part" if accepted else "not_finished"


def judge_joint(
    plan: ToolValidationPlan,
    joint: Joint,
    samples: Sequence[JobSample],
    looks: Sequence[GaugeLook] = (),
    *,
    guard: float,
) -> JointResult:
    """Judge one joint; ``samples`` are its own, in time order."""
    counted = [sample for sample in samples if not sample.void][: plan.samples_per_joint]
    voids = sum(sample.void for sample in samples)
    findings, unable = _findings(plan, counted, guard)
    against = [
        *_against(plan, counted),
        *_bad_voids(plan, samples),
        *unable,
        *_bad_looks(joint, looks),
    ]
    missing_looks = _missing_looks(plan, joint, looks)
    complete = len(counted) == plan.samples_per_joint
    if complete:
        against += [_miss(plan, found) for found in findings if not found.met]
        if not findings and not unable:
            against.append("No limit was judged on these samples: nothing is shown by them.")
    state: JointState = "not_finished"
    if against:
        state = "refused"
    elif complete and not missing_looks:
        state = "accepted"
    reasons = against or (
        [_acceptance(plan, found) for found in findings]
        if state == "accepted"
        else _still_missing(plan, counted, missing_looks)
    )
    passed = sum(sample.verdict == "pass" for sample in counted)
    chances = [found.chance for found in findings if found.chance is not None]
    return JointResult(
        joint=joint,
        state=state,
        counted=tuple(sample.sample_id for sample in counted),
        planned=plan.samples_per_joint,
        voids=voids,
        findings=tuple(findings),
        modes=Counter(sample.failure_mode or "not named" for sample in counted),
        reliability=reliability_bound(passed, len(counted), plan.confidence) if counted else None,
        chance=0.0 if against else min(chances, default=None),
        reasons=tuple(reasons),
        remarks=tuple(_remarks(joint, counted, findings, looks)),
    )


def _findings(
    plan: ToolValidationPlan, counted: Sequence[JobSample], guard: float
) -> tuple[list[Finding], list[str]]:
    """Findings by criterion, and why a criterion cannot be judged."""
    findings, unable = [], []
    names = dict.fromkeys(found.criterion for sample in counted for found in sample.criteria)
    for name in names:
        results = [found for sample in counted if (found := sample.criterion(name)) is not None]
        if any(found.value is None for found in results):
            # A voltage drop without a test current: nothing to judge, and the verdicts say so.
            unable.append(
                f"The {WHAT.get(name, name)} was not measured on every sample: without it the "
                "joint cannot be accepted by this limit set."
            )
            continue
        try:
            findings.append(
                finding(
                    results,
                    planned=plan.samples_per_joint,
                    coverage=plan.coverage,
                    confidence=plan.confidence,
                    guard=guard,
                )
            )
        except ValueError as error:
            unable.append(f"The {WHAT.get(name, name)} cannot be judged: {error}.")
    return findings, unable


def _bad_voids(plan: ToolValidationPlan, samples: Sequence[JobSample]) -> list[str]:
    voids = [sample for sample in samples if sample.void]
    word_only = [sample.sample_id for sample in voids if sample.word_only]
    found = []
    if len(voids) > plan.voids_allowed:
        found.append(
            f"{len(voids)} samples were void; the plan allows {plan.voids_allowed}. Put the test "
            "right (grips, clips, span) and begin a new validation."
        )
    if len(word_only) > plan.word_only_voids_allowed:
        found.append(
            f"{len(word_only)} voids rest on the operator's word alone ({', '.join(word_only)}): a "
            "lead looks at each and voids it by a correction, or it counts against the tool."
        )
    return found


def _against(plan: ToolValidationPlan, counted: Sequence[JobSample]) -> list[str]:
    found = []
    fails = sum(sample.verdict == "fail" for sample in counted)
    if fails > plan.fails_allowed:
        found.append(
            f"{fails} of {len(counted)} samples failed; the plan allows {plan.fails_allowed}."
        )
    for mode in plan.refusing_modes:
        seen = sum(sample.failure_mode == mode for sample in counted)
        if seen:
            found.append(f"{seen} of {len(counted)}: {FAILURE_MODES[mode]}.")
    return found


def _last_looks(joint: Joint, looks: Sequence[GaugeLook]) -> dict[str, GaugeLook]:
    wanted = {"nest_gauge": joint.nest, "crimp_height": joint.key}
    return {look.kind: look for look in looks if wanted[look.kind] == look.of}


def _bad_looks(joint: Joint, looks: Sequence[GaugeLook]) -> list[str]:
    return [look.words for look in _last_looks(joint, looks).values() if look.good is False]


def _missing_looks(plan: ToolValidationPlan, joint: Joint, looks: Sequence[GaugeLook]) -> list[str]:
    """What the plan asks for and nobody has answered: a gauge the shop lacks is an answer."""
    had = _last_looks(joint, looks)
    missing = []
    for kind, asked, words in (
        ("nest_gauge", plan.nest_gauge, f"The go/no-go gauge of nest {joint.nest}"),
        ("crimp_height", plan.crimp_height, "The crimp height"),
    ):
        look = had.get(kind)
        if asked != "off" and look is None:
            missing.append(f"{words} has not been entered, nor that there is no such gauge.")
        elif asked == "demanded" and look is not None and look.good is None:
            missing.append(f"{words} is demanded by the plan, and the shop has no gauge for it.")
    return missing


def _still_missing(
    plan: ToolValidationPlan, counted: Sequence[JobSample], missing_looks: list[str]
) -> list[str]:
    more = plan.samples_per_joint - len(counted)
    samples = [f"{more} of {plan.samples_per_joint} samples are still to be made."] if more else []
    return samples + missing_looks


def _miss(plan: ToolValidationPlan, found: Finding) -> str:
    what = WHAT.get(found.criterion, found.criterion)
    return (
        f"The {what} of {plan.coverage:.0%} of such crimps could not be shown, with "
        f"{plan.confidence:.0%} confidence, to meet its limit."
    )


def _acceptance(plan: ToolValidationPlan, found: Finding) -> str:
    what = WHAT.get(found.criterion, found.criterion)
    return (
        f"With {plan.confidence:.0%} confidence the {what} of at least {plan.coverage:.0%} of such "
        f"crimps meets its limit, the gauge's uncertainty allowed for ({found.n} samples)."
    )


def _remarks(
    joint: Joint,
    counted: Sequence[JobSample],
    findings: Sequence[Finding],
    looks: Sequence[GaugeLook],
) -> list[str]:
    found = [text for item in findings for text in item.warnings]
    doubtful = sum(sample.verdict == "undecided" for sample in counted)
    if doubtful:
        found.append(f"{doubtful} samples are undecided: too near the limit for the gauge.")
    drawn = sum(sample.failure_mode == "drawn_out" for sample in counted)
    if 2 * drawn > len(counted):
        found.append(
            f"{drawn} of {len(counted)} drew out of the barrel: the force suffices, but look at "
            "the crimp height (common practice, no source)."
        )
    return found + [
        look.words for look in _last_looks(joint, looks).values() if look.good is not False
    ]


def _sentences(results: Sequence[JointResult]) -> list[str]:
    return [f"{joint_words(result.joint)}: {' '.join(result.reasons)}" for result in results]


def joint_words(joint: Joint) -> str:
    """A joint in a few words: connector, wires and nest."""
    return f"{joint.connector}, {' + '.join(joint.wires)}, nest {joint.nest}"
