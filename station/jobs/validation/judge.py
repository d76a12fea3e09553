"""Validating a tool: from the samples of its joints to accepted, accepted in part, or refused.

A joint is judged when it has exactly the number of samples that the plan fixed beforehand, by the
first so many that are not void. What is known on the way (the chance of passing) is shown and never
accepts anything. A joint may be refused earlier only where nothing could save it any more.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.saying import join, say
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import quantity
from station.crimp.verdict import PART_WORDS, condemned_words
from station.jobs.sample import JobSample
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.tolerance import Finding, finding
from station.ledger.entries import Joint
from station.shop.trend import sittings_of
from station.statistics.capability import reliability_bound

JointState = Literal["accepted", "refused", "not_finished"]
Outcome = Literal["accepted", "accepted_in_part", "refused", "not_finished"]

WHAT = {
    "pull_force_min": say("pull force"),
    "voltage_drop_max": say("voltage drop"),
    "resistance_max": say("resistance"),
    "resistance_ratio_max": say("resistance ratio"),
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
    unconfirmed
        Voids on their operator's word alone, where the plan allows no more: a lead looks at each.
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
    unconfirmed: tuple[str, ...] = ()

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
    sentences = (
        say("{joint}: {reasons}", joint=joint_words(result.joint), reasons=join(result.reasons))
        for result in results
    )
    return ValidationResult(_outcome(results), results, tuple(sentences))


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
    tested = [sample for sample in samples if not sample.void]
    counted = [one for one in tested if not one.not_judged][: plan.samples_per_joint]
    voids = sum(sample.void for sample in samples)
    findings, unable = _findings(plan, counted, guard)
    against = [
        *_against(plan, counted),
        *_bad_voids(plan, samples),
        *unable,
        *(look.words for look in _last_looks(joint, looks).values() if look.good is False),
    ]
    missing_looks = list(_missing_looks(plan, joint, looks))
    by_word = [sample.sample_id for sample in samples if sample.void and sample.word_only]
    unconfirmed = by_word if len(by_word) > plan.word_only_voids_allowed else []
    complete = len(counted) == plan.samples_per_joint
    if complete:
        against += [_miss(plan, found) for found in findings if not found.met]
        if not findings and not unable:
            against.append(say("No limit was judged on these samples: nothing is shown by them."))
    state: JointState = "not_finished"
    if against:
        state = "refused"
    elif complete and not missing_looks and not unconfirmed:
        state = "accepted"
    reasons = against or (
        [_acceptance(plan, found) for found in findings]
        if state == "accepted"
        else [*_still_to_make(plan, plan.samples_per_joint - len(counted)), *missing_looks]
    )
    if unconfirmed:
        words = say(
            "Void on the operator's word alone: {count}. A lead looks at each and confirms it.",
            count=len(unconfirmed),
        )
        reasons = [*reasons, words]
    passed = sum(sample.verdict == "pass" for sample in counted)
    chances = [found.chance for found in findings if found.chance is not None]
    return JointResult(
        joint=joint,
        state=state,
        counted=tuple(sample.sample_id for sample in counted),
        planned=plan.samples_per_joint,
        voids=voids,
        findings=tuple(findings),
        modes=Counter(sample.failure_mode or say("not named") for sample in counted),
        reliability=reliability_bound(passed, len(counted), plan.confidence) if counted else None,
        chance=0.0 if against else min(chances, default=None),
        reasons=tuple(reasons),
        remarks=(
            *_remarks(joint, counted, findings, looks),
            # Plans from before any shape was asked for are shown as they were.
            *(_sittings(counted) if plan.any_shape else ()),
            *_uncounted(tested),
        ),
        unconfirmed=tuple(unconfirmed),
    )


def _findings(
    plan: ToolValidationPlan, counted: Sequence[JobSample], guard: float
) -> tuple[list[Finding], list[str]]:
    """Findings by criterion, and why a criterion cannot be judged."""
    findings, unable = [], []
    # A crimp's size has two limits: each sample is judged by it, and no bound of theirs.
    judged_by = (found for sample in counted for found in sample.criteria)
    names = dict.fromkeys(found.criterion for found in judged_by if found.tolerance is None)
    for name in names:
        results = [found for sample in counted if (found := sample.criterion(name)) is not None]
        if len(results) < len(counted) or any(found.value is None for found in results):
            # A drop without a test current, a pull not made to the end: its verdict says so.
            reason = say(
                "The {name} was not measured on every sample: without it the joint "
                "cannot be accepted by this limit set.",
                name=_what(name),
            )
            unable.append(reason)
            continue
        try:
            judged = finding(
                results,
                planned=plan.samples_per_joint,
                coverage=plan.coverage,
                confidence=plan.confidence,
                guard=guard,
                any_shape=plan.any_shape,
            )
            findings.append(judged)
        except ValueError as error:
            why = say("The {name} cannot be judged: {error}.", name=_what(name), error=str(error))
            unable.append(why)
    return findings, unable


def _what(criterion: str) -> str:
    return say(WHAT.get(criterion, criterion))


def _bad_voids(plan: ToolValidationPlan, samples: Sequence[JobSample]) -> Iterator[str]:
    voids = [sample for sample in samples if sample.void]
    if len(voids) > plan.voids_allowed:
        yield say(
            "{count} samples were void; the plan allows {voids_allowed}. Put the test "
            "right (grips, clips, span) and begin a new validation.",
            count=len(voids),
            voids_allowed=plan.voids_allowed,
        )


def _against(plan: ToolValidationPlan, counted: Sequence[JobSample]) -> Iterator[str]:
    fails = sum(sample.verdict == "fail" for sample in counted)
    if fails > plan.fails_allowed:
        yield say(
            "{fails} of {count} samples failed; the plan allows {fails_allowed}.",
            fails=fails,
            count=len(counted),
            fails_allowed=plan.fails_allowed,
        )
        yield from dict.fromkeys(
            condemned_words(what) for sample in counted for what in sample.condemned_by
        )
    for mode in plan.refusing_modes:
        if seen := sum(sample.failure_mode == mode for sample in counted):
            words = say(FAILURE_MODES[mode])
            yield say("{seen} of {counted}: {mode}.", seen=seen, counted=len(counted), mode=words)


def _last_looks(joint: Joint, looks: Sequence[GaugeLook]) -> dict[str, GaugeLook]:
    wanted = {"nest_gauge": joint.nest, "crimp_height": joint.key}
    return {look.kind: look for look in looks if wanted[look.kind] == look.of}


def _missing_looks(
    plan: ToolValidationPlan, joint: Joint, looks: Sequence[GaugeLook]
) -> Iterator[str]:
    """What the plan asks for and nobody has answered: a gauge the shop lacks is an answer."""
    had = _last_looks(joint, looks)
    for kind, asked, words in (
        ("nest_gauge", plan.nest_gauge, say("The go/no-go gauge of nest {nest}", nest=joint.nest)),
        ("crimp_height", plan.crimp_height, say("The crimp height")),
    ):
        look = had.get(kind)
        if asked != "off" and look is None:
            yield say("{gauge} is not entered: enter it, or that there is no gauge.", gauge=words)
        elif asked == "demanded" and look is not None and look.good is None:
            yield say(
                "{gauge} is demanded by the plan, and the shop has no gauge for it.", gauge=words
            )


def _still_to_make(plan: ToolValidationPlan, more: int) -> Iterator[str]:
    if more:
        yield say(
            "{more} of {samples_per_joint} samples are still to be made.",
            more=more,
            samples_per_joint=plan.samples_per_joint,
        )


def _miss(plan: ToolValidationPlan, found: Finding) -> str:
    return say(
        "The {what} of {coverage:.0%} of such crimps could not be shown, with "
        "{confidence:.0%} confidence, to meet its limit.",
        what=_what(found.criterion),
        coverage=plan.coverage,
        confidence=plan.confidence,
    )


def _acceptance(plan: ToolValidationPlan, found: Finding) -> str:
    return say(
        "With {confidence:.0%} confidence the {what} of at least {coverage:.0%} of "
        "such crimps meets its limit, the gauge's uncertainty allowed for ({n} samples).",
        confidence=plan.confidence,
        what=_what(found.criterion),
        coverage=plan.coverage,
        n=found.n,
    )


def _remarks(
    joint: Joint,
    counted: Sequence[JobSample],
    findings: Sequence[Finding],
    looks: Sequence[GaugeLook],
) -> Iterator[str]:
    for item in findings:
        yield from _lower_tail(item)
        yield from item.warnings
    if doubtful := sum(sample.verdict == "undecided" for sample in counted):
        yield say(
            "{doubtful} samples are undecided: too near the limit for the gauge.", doubtful=doubtful
        )
    drawn = sum(sample.failure_mode == "drawn_out" for sample in counted)
    if 2 * drawn > len(counted):
        yield say(
            "{drawn} of {count} drew out of the barrel: the force suffices, but look "
            "at the crimp height (common practice, no source).",
            drawn=drawn,
            count=len(counted),
        )
    yield from (look.words for look in _last_looks(joint, looks).values() if look.good is not False)


def _lower_tail(found: Finding) -> Iterator[str]:
    """The value that a person asks for first, and what the bound rests on."""
    if found.worst is not None:
        yield say(
            "The worst {what} of {n} was {worst}, {share:.0%} of its limit. {rests}",
            what=_what(found.criterion),
            n=found.n,
            worst=quantity(found.worst, found.unit),
            share=found.worst / found.limit,
            rests=found.rests,
        )


def _sittings(counted: Sequence[JobSample]) -> Iterator[str]:
    """Over how many sittings a baseline is taken: of one it is not known how days differ."""
    made = [sample.at_utc for sample in counted if sample.at_utc is not None]
    if len(made) < 2:
        return
    sittings = int(sittings_of(made)[-1]) + 1
    if sittings == 1:
        yield say("All {n} in one sitting: how much days differ is not known.", n=len(made))
    else:
        yield say("The {n} were made in {sittings} sittings.", n=len(made), sittings=sittings)


def _uncounted(tested: Sequence[JobSample]) -> Iterator[str]:
    if lacking := [sample.not_judged for sample in tested if sample.not_judged]:
        parts = dict.fromkeys(say(PART_WORDS[part]) for parts in lacking for part in parts)
        yield say(
            "Samples that do not count (not judged: {parts}): {count}.",
            parts=join(parts, ", "),
            count=len(lacking),
        )


def joint_words(joint: Joint) -> str:
    """A joint in a few words: connector, wires and nest."""
    return say(
        "{connector}, {wires}, nest {nest}",
        connector=joint.connector,
        wires=" + ".join(joint.wires),
        nest=joint.nest,
    )
