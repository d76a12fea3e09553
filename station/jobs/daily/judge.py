"""The daily check: from a nest's samples to released, watch or held. Pure.

A check has two stages of fixed size and no third. Every sample of the nest since the check began
counts, whoever made it and in whichever job, samples of a check that was broken off among them. A
sample that a person called void after its values were known counts as it was measured. So there is
nothing to be gained by stopping, starting again or voiding.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Literal

from calibration.saying import join, say
from station.crimp.verdict import PART_WORDS, condemned_words, owed
from station.jobs.daily.plan import DailyCheckPlan
from station.ledger.entries import BaselineSet
from station.ledger.rows import SampleRow
from station.shop.trend import NestTrend, nest_trend

JOB = "daily_check"
STEP_FIRST, STEP_SECOND = say("first stage"), say("second stage")
OutcomeWord = Literal["released", "watch", "held"]
Nest = tuple[str, str]
"""Tool and nest."""


@dataclass(frozen=True, slots=True)
class NestEvidence:
    """What the check of one nest rests on.

    Attributes
    ----------
    verdicts
        Of the samples that count, in order; an ``undecided`` one lies too close to its limit.
    unmeasured
        Samples that do not count, since something of them was not judged that a pass needs.
    lacking
        What was not judged of those.
    condemned
        What was seen that condemned samples whatever they measure.
    voids
        Void samples, which are replaced.
    unkept
        Samples whose pull began and left no force on record: stopped, cut off, unplugged. Somebody
        may have seen what they held.
    pending
        Samples begun, not finished, and not made again yet.
    has_baseline
        Whether there is anything to compare the nest with.
    worn
        What the watches for wear and strays say, in words; None where they have flagged nothing.
    newly_worn
        True where it is a sample of this check that gave the signal.
    samples_left
        Samples until the tolerance bound of the pull force meets the limit; None where not known.
    """

    verdicts: tuple[str, ...]
    unmeasured: int = 0
    lacking: tuple[str, ...] = ()
    condemned: tuple[str, ...] = ()
    voids: int = 0
    unkept: int = 0
    pending: int = 0
    has_baseline: bool = True
    worn: str | None = None
    newly_worn: bool = False
    samples_left: float | None = None


@dataclass(frozen=True, slots=True)
class NestFinding:
    """How the check of one nest stands.

    Attributes
    ----------
    outcome
        None while samples are missing.
    missing
        Samples still to be made in this stage.
    needs
        What must come before a held nest is released: ``service`` and a new baseline, or ``lead``.
    """

    outcome: OutcomeWord | None
    stage: str
    missing: int
    reasons: tuple[str, ...]
    needs: Literal["service", "lead"] = "service"


def judge(plan: DailyCheckPlan, evidence: NestEvidence) -> NestFinding:
    """Judge one nest by the plan."""
    held = _reason_to_hold(plan, evidence)
    if held is not None:
        return held
    made = len(evidence.verdicts)
    if evidence.pending:
        reason = say("A sample was begun and not finished: measure it again or void it.")
        return NestFinding(None, STEP_FIRST, max(plan.first_stage - made, 1), (reason,))
    uncounted = tuple(_uncounted(evidence))
    if made < plan.first_stage:
        return NestFinding(None, STEP_FIRST, plan.first_stage - made, uncounted)
    doubts = tuple(_doubts(evidence))
    both = plan.first_stage + plan.second_stage
    if doubts and made < both:
        return NestFinding(None, STEP_SECOND, both - made, doubts + uncounted)
    stage = STEP_SECOND if doubts and plan.second_stage else STEP_FIRST
    return _final(plan, evidence, stage)


def _reason_to_hold(plan: DailyCheckPlan, evidence: NestEvidence) -> NestFinding | None:
    fails = evidence.verdicts.count("fail")
    if fails > plan.fails_allowed:
        return NestFinding("held", STEP_FIRST, 0, (_too_many_fails(evidence, plan.fails_allowed),))
    reason = None
    if evidence.unkept == 1:
        reason = say(
            "A pull began and left no force on record, which somebody may have seen. A lead looks "
            "at bench and nest first."
        )
    elif evidence.unkept:
        reason = say(
            "{pulls} pulls began and left no force on record, which somebody may have seen. A "
            "lead looks at bench and nest first.",
            pulls=evidence.unkept,
        )
    elif evidence.voids > plan.voids_allowed:
        reason = say(
            "{voids} samples were void, where {voids_allowed} may be replaced: nothing "
            "is shown of the nest. A lead looks at bench and nest first.",
            voids=evidence.voids,
            voids_allowed=plan.voids_allowed,
        )
    return None if reason is None else NestFinding("held", STEP_FIRST, 0, (reason,), "lead")


def _too_many_fails(evidence: NestEvidence, allowed: int) -> str:
    fails = evidence.verdicts.count("fail")
    if evidence.condemned:
        count = say(
            "Samples that failed: {fails}; allowed: {allowed}.", fails=fails, allowed=allowed
        )
        return join((count, *map(condemned_words, evidence.condemned)))
    if fails == 1:
        return say("A sample failed a limit; none may.")
    if allowed == 0:
        return say("{fails} samples failed a limit; none may.", fails=fails)
    return say("{fails} samples failed a limit; {allowed} may.", fails=fails, allowed=allowed)


def _doubts(evidence: NestEvidence) -> Iterator[str]:
    if "fail" in evidence.verdicts:
        yield say("A sample failed a limit.")
    if undecided := evidence.verdicts.count("undecided"):
        yield say(
            "{undecided} of the values lie too close to a limit to be decided.", undecided=undecided
        )
    if evidence.newly_worn:
        yield say("The wear watch has seen a change.")


def _final(plan: DailyCheckPlan, evidence: NestEvidence, stage: str) -> NestFinding:
    held = _held_at_last(plan, evidence)
    if held is not None:
        return NestFinding("held", stage, 0, (held,))
    if watched := tuple(_watched(evidence)):
        return NestFinding("watch", stage, 0, (*watched, *_uncounted(evidence)))
    count = len(evidence.verdicts)
    good = say("All {count} samples passed, and the nest has not changed.", count=count)
    if count == 1:
        good = say("Its sample passed, and the nest has not changed.")
    return NestFinding("released", stage, 0, (good, *_uncounted(evidence)))


def _held_at_last(plan: DailyCheckPlan, evidence: NestEvidence) -> str | None:
    undecided, allowed = evidence.verdicts.count("undecided"), plan.undecided_allowed
    if undecided > allowed:
        values = {"undecided": undecided, "count": len(evidence.verdicts)}
        if allowed:
            return say(
                "{undecided} of {count} values lie too close to a limit to be decided; {allowed} "
                "may.",
                allowed=allowed,
                **values,
            )
        return say(
            "{undecided} of {count} values lie too close to a limit to be decided; none may.",
            **values,
        )
    left, least = evidence.samples_left, plan.hold_if_left_under
    if evidence.worn is not None and left is not None and left < least:
        return say(
            "{worn} A nest with fewer than {least} left is held.", worn=evidence.worn, least=least
        )
    return None


def _watched(evidence: NestEvidence) -> Iterator[str]:
    yield from _doubts(replace(evidence, newly_worn=False))
    if evidence.worn is not None:
        yield evidence.worn
    if not evidence.has_baseline:
        yield say(
            "There is no baseline: the limits alone were judged. Validate the tool to know more."
        )


def _uncounted(evidence: NestEvidence) -> Iterator[str]:
    if evidence.unmeasured:
        parts = [say(PART_WORDS[part]) for part in evidence.lacking]
        yield say(
            "Samples that do not count (not judged: {parts}): {count}.",
            parts=join(parts, ", ") or say("every limit"),
            count=evidence.unmeasured,
        )


@dataclass(frozen=True, slots=True)
class CheckedNest:
    """A nest in the scope of a job: which samples count for it, by the number of an entry.

    Attributes
    ----------
    counts_from_seq
        Samples begun after this entry count.
    voids_from_seq
        Void samples begun after this entry count against the cap.
    run_length
        In-control run length of the wear watch when the job began.
    judged_by
        Limit sets that may judge its samples; empty for checks from before that was recorded.
    steady
        Whether the plan took it as long steady when the job began.
    """

    tool: str
    nest: str
    counts_from_seq: int
    voids_from_seq: int
    run_length: float
    judged_by: tuple[str, ...] = ()
    steady: bool = False

    @property
    def key(self) -> Nest:
        """Tool and nest."""
        return self.tool, self.nest


@dataclass(frozen=True, slots=True)
class NestHistory:
    """What is on record of a nest.

    Attributes
    ----------
    samples
        All of them, oldest first.
    baselines
        By joint key.
    serviced_seq
        Entry of the last service; 0 where there was none.
    """

    samples: Sequence[SampleRow]
    baselines: Mapping[str, BaselineSet]
    serviced_seq: int = 0


@dataclass(frozen=True, slots=True)
class NestProgress:
    """One nest of a check: what counts, how it stands, and its trend with these samples in it."""

    nest: CheckedNest
    counted: tuple[SampleRow, ...]
    voids: tuple[SampleRow, ...]
    finding: NestFinding
    trend: NestTrend


def progress_of(plan: DailyCheckPlan, nest: CheckedNest, history: NestHistory) -> NestProgress:
    """Judge one nest by what is on record of it."""
    rows = [as_counted(row, nest) for row in history.samples]
    mine = [row for row in rows if row.job == JOB and row.begun_seq > nest.counts_from_seq]
    counted = tuple(row for row in mine if row.verdict in ("pass", "fail", "undecided"))
    replaced = {row.replaces for row in rows}
    voids = tuple(
        row
        for row in mine
        if row.begun_seq > nest.voids_from_seq
        # One that was left unfinished and made again is as good as voided.
        and (row.verdict == "void" or (row.verdict is None and row.sample_id in replaced))
    )
    trend = nest_trend(
        nest.tool,
        nest.nest,
        rows,
        history.baselines,
        run_length=nest.run_length,
        since_seq=history.serviced_seq,
    )
    pending = [row for row in mine if row.verdict is None and row.sample_id not in replaced]
    unkept = [row for row in voids if row.pull_begun_seq is not None and not row.pulled]
    evidence = replace(
        _evidence(nest, counted, trend),
        voids=len(voids), unkept=len(unkept), pending=len(pending),
    )  # fmt: skip
    if nest.steady:
        plan = plan_for_steady(plan, _oddest(counted, trend))
    return NestProgress(nest, counted, voids, judge(plan, evidence), trend)


def plan_for_steady(plan: DailyCheckPlan, oddest: float) -> DailyCheckPlan:
    """What a plan asks of a long steady nest.

    Parameters
    ----------
    oddest
        How much worse than its baseline the worst sample of the check is, in deviations; infinite
        where one has no baseline.
    """
    steady = plan.steady
    if steady is None or oddest == math.inf:
        return plan
    if oddest <= steady.odd_beyond:
        return plan.model_copy(update={"first_stage": steady.samples})
    both = steady.samples + plan.second_stage
    return plan.model_copy(update={"first_stage": both, "second_stage": 0})


def _oddest(counted: Sequence[SampleRow], trend: NestTrend) -> float:
    points = {point.sample.sample_id: point for point in trend.points}
    worst = -math.inf
    for row in counted:
        point = points.get(row.sample_id)
        if point is None or point.force_distance is None:
            return math.inf
        worst = max(worst, -point.force_distance, point.resistance_distance or 0.0)
    return worst


def as_counted(row: SampleRow, nest: CheckedNest) -> SampleRow:
    """A sample as it counts: one voided by word after it was measured stands as it was measured.

    One given up before its pull counts only where what was measured had failed already: a good
    resistance alone is no good crimp.
    """
    known = row.pulled or row.measured_verdict == "fail"
    by_word = row.verdict == "void" and row.void_by == "person" and row.measured_verdict is not None
    if not (by_word and known) or row.begun_seq <= nest.counts_from_seq:
        return row
    return replace(row, verdict=row.measured_verdict)


def _evidence(nest: CheckedNest, counted: Sequence[SampleRow], trend: NestTrend) -> NestEvidence:
    unmeasured = [row for row in counted if _not_judged(row, nest)]
    judged = [row for row in counted if row not in unmeasured]
    new = trend.signal_seq is not None and trend.signal_seq > nest.counts_from_seq
    return NestEvidence(
        tuple(row.verdict or "" for row in judged),
        unmeasured=len(unmeasured),
        lacking=_each_once(owed(row.not_judged, row.only) for row in unmeasured),
        condemned=_each_once(row.condemned_by for row in judged),
        has_baseline=trend.has_baseline,
        worn=trend.sentence if trend.flagged else None,
        newly_worn=new,
        samples_left=None if trend.report is None else trend.report.samples_left,
    )


def _not_judged(row: SampleRow, nest: CheckedNest) -> bool:
    """True where something was not judged, or another set's limits were asked: no pass is shown."""
    if row.verdict == "fail":
        return False
    if nest.judged_by and not set((row.limit_set or "").split(", ")) <= set(nest.judged_by):
        return True
    return row.unjudged or (row.verdict == "undecided" and row.measured_verdict != "undecided")


def _each_once(several: Iterable[Iterable[str]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(chain.from_iterable(several)))
