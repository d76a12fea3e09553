"""Certifying a person: from coded samples to certified, re-sit or not, with reasons.

Every sample that was judged counts, those of a failed sitting too: a re-sit adds samples, it never
takes a failure away. The share is shown by pass and fail alone (exact binomial bound), so that no
shape of distribution is assumed.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.saying import join, say
from station.jobs.certification.codes import to_judge
from station.jobs.certification.plan import CertificationPlan, Task
from station.jobs.certification.spread import OwnSpread, SpreadRatio, spread_ratio
from station.jobs.sample import JobSample
from station.ledger.entries import BaselineSet, CodeFor
from station.statistics.capability import reliability_bound

TaskState = Literal["passed", "failed", "open"]
Outcome = Literal["certified", "not_certified", "re_sit", "not_finished"]


@dataclass(frozen=True, slots=True)
class TaskResult:
    """One task in its last sitting.

    Attributes
    ----------
    n, conforming, minor
        Counted samples of this sitting, those that conform, and those with a minor fault.
    critical
        What was critical, in sentences, by code.
    """

    task: Task
    sitting: int
    state: TaskState
    n: int
    conforming: int
    minor: int
    voids: int
    critical: tuple[str, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CertificationResult:
    """The candidate, as it stands.

    Attributes
    ----------
    n, conforming
        Over all sittings.
    bound
        Lower confidence bound of the conforming share; None without a sample.
    force_spread, resistance_spread
        Against the baselines; None where no task has one.
    controls, controls_conforming
        Samples of the certified hand: they judge the judging, not the candidate.
    may_resit
        Tasks that may be re-sat, where the outcome is ``re_sit``.
    """

    outcome: Outcome
    tasks: tuple[TaskResult, ...]
    n: int
    conforming: int
    bound: float | None
    force_spread: SpreadRatio | None
    resistance_spread: SpreadRatio | None
    controls: int
    controls_conforming: int
    may_resit: tuple[str, ...]
    reasons: tuple[str, ...]


def judge_candidate(
    plan: CertificationPlan,
    key: Mapping[str, CodeFor],
    samples: Sequence[JobSample],
    critical_items: frozenset[str],
    baselines: Mapping[str, BaselineSet],
) -> CertificationResult:
    """Judge a candidate by everything that was found so far.

    Parameters
    ----------
    key
        What each code stands for, of all sittings.
    samples
        Finished samples; their ``step`` is their code.
    critical_items
        Checklist items, a fault of which condemns the crimp.
    baselines
        By joint key: the shop's own.
    """
    judging = _Judging(plan, key, samples, critical_items)
    tasks = tuple(judging.task_result(task) for task in plan.tasks)
    counted = judging.counted()
    conforming = sum(judging.conforms(sample) for sample in counted)
    controls = judging.of_part("control")
    spreads = _spreads(counted, baselines, plan.confidence)
    reasons = [
        say("{title}: {reason}", title=result.task.title, reason=reason)
        for result in tasks
        for reason in result.reasons
    ]
    outcome: Outcome = "not_finished"
    # A failed task is judged to its end all the same: its samples count, and the judge learns
    # nothing from a code that is no longer asked for.
    if key and not to_judge(key, samples):
        outcome, reasons = _outcome(plan, tasks, len(counted), conforming, spreads, reasons)
    failed = tuple(result.task.id for result in tasks if result.state == "failed")
    return CertificationResult(
        outcome=outcome,
        tasks=tasks,
        n=len(counted),
        conforming=conforming,
        bound=reliability_bound(conforming, len(counted), plan.confidence) if counted else None,
        force_spread=spreads[0],
        resistance_spread=spreads[1],
        controls=len(controls),
        controls_conforming=sum(judging.conforms(sample) for sample in controls),
        may_resit=failed if outcome == "re_sit" else (),
        reasons=tuple(reasons),
    )


@dataclass(frozen=True)
class _Judging:
    plan: CertificationPlan
    key: Mapping[str, CodeFor]
    samples: Sequence[JobSample]
    critical_items: frozenset[str]

    def of_part(self, *parts: str) -> list[JobSample]:
        """Samples of these parts that are not void."""
        return [
            sample
            for sample in self.samples
            if not sample.void and self._slot(sample).part in parts
        ]

    def _slot(self, sample: JobSample) -> CodeFor:
        return self.key[sample.step or ""]

    def counted(self) -> list[JobSample]:
        """The candidate's own, spares that were called among them."""
        return self.of_part("candidate", "spare")

    def critical_faults(self, sample: JobSample) -> list[str]:
        """Identifiers of the critical items that were answered with no."""
        return [
            item
            for item, good in sample.checklist.items()
            if not good and item in self.critical_items
        ]

    def conforms(self, sample: JobSample) -> bool:
        """Whether it passed every limit and has no critical fault; undecided does not."""
        return sample.verdict == "pass" and not self.critical_faults(sample)

    def task_result(self, task: Task) -> TaskResult:
        """A task in its last sitting."""
        sittings = [slot.sitting for slot in self.key.values() if slot.task == task.id]
        sitting = max(sittings, default=1)
        own = [sample for sample in self.counted() if self._is_of(sample, task, sitting)]
        voids = sum(
            sample.void
            and self._is_of(sample, task, sitting)
            and self._slot(sample).part != "control"
            for sample in self.samples
        )
        critical = [
            say("{code}: {what}", code=sample.step, what=what)
            for sample in own
            for what in (*self.critical_faults(sample), *_failed_words(sample))
        ]
        minor = sum(
            any(not good for item, good in one.checklist.items() if item not in self.critical_items)
            for one in own
        )
        against = list(self._against(critical, minor, voids))
        state: TaskState = "open"
        if against:
            state = "failed"
        elif len(own) >= self.plan.samples_per_task:
            state = "passed"
        more = self.plan.samples_per_task - len(own)
        reasons = against or (
            [say("{more} samples are still to be judged.", more=more)] if more > 0 else []
        )
        return TaskResult(
            task, sitting, state, len(own), sum(map(self.conforms, own)), minor, voids,
            tuple(critical), tuple(reasons),
        )  # fmt: skip

    def _is_of(self, sample: JobSample, task: Task, sitting: int) -> bool:
        slot = self._slot(sample)
        return (slot.task, slot.sitting) == (task.id, sitting)

    def _against(self, critical: Sequence[str], minor: int, voids: int) -> Iterator[str]:
        if critical:
            yield say(
                "{count} critical faults ({critical}).",
                count=len(critical),
                critical=join(critical, "; "),
            )
        if minor > self.plan.minor_faults_allowed:
            yield say(
                "{minor} samples with minor faults; {minor_faults_allowed} are allowed.",
                minor=minor,
                minor_faults_allowed=self.plan.minor_faults_allowed,
            )
        if voids > self.plan.spares_per_task:
            yield say(
                "{voids} tests were void; there are {spares_per_task} spares.",
                voids=voids,
                spares_per_task=self.plan.spares_per_task,
            )


def _spreads(
    counted: Sequence[JobSample], baselines: Mapping[str, BaselineSet], confidence: float
) -> tuple[SpreadRatio | None, SpreadRatio | None]:
    """Of force over limit, and of the logarithm of resistance."""
    force, resistance = [], []
    for joint_key in dict.fromkeys(sample.joint.key for sample in counted):
        baseline = baselines.get(joint_key)
        if baseline is None:
            continue
        own = [sample for sample in counted if sample.joint.key == joint_key]
        ratios = [value for sample in own if (value := sample.force_ratio) is not None]
        logs = [value for sample in own if (value := sample.log_resistance) is not None]
        force.append(OwnSpread(ratios, baseline.force_ratio_sigma, baseline.n))
        resistance.append(OwnSpread(logs, baseline.log_resistance_sigma, baseline.n))
    return spread_ratio(force, confidence), spread_ratio(resistance, confidence)


def _outcome(
    plan: CertificationPlan,
    tasks: Sequence[TaskResult],
    n: int,
    conforming: int,
    spreads: tuple[SpreadRatio | None, SpreadRatio | None],
    reasons: list[str],
) -> tuple[Outcome, list[str]]:
    failed = [result for result in tasks if result.state == "failed"]
    if failed:
        refusal = _no_resit(plan, failed, n, conforming)
        return ("re_sit", reasons) if refusal is None else ("not_certified", [*reasons, refusal])
    bound = reliability_bound(conforming, n, plan.confidence)
    against = [
        say(
            "The spread of the {what} is {ratio:.1f} times the shop's own, and with "
            "{confidence:.0%} confidence more than {spread_ratio_max:g} times.",
            what=say(what),
            ratio=spread.ratio,
            confidence=plan.confidence,
            spread_ratio_max=plan.spread_ratio_max,
        )
        for what, spread in zip((say("pull force"), say("resistance")), spreads, strict=True)
        if spread is not None and spread.lower_bound > plan.spread_ratio_max
    ]
    if bound < plan.share:
        against = [
            say(
                "{conforming} of {n} conform: with {confidence:.0%} confidence that shows "
                "{bound:.1%}, and {share:.0%} is demanded.",
                conforming=conforming,
                n=n,
                confidence=plan.confidence,
                bound=bound,
                share=plan.share,
            )
        ]
    return ("not_certified" if against else "certified"), against


def _no_resit(
    plan: CertificationPlan, failed: Sequence[TaskResult], n: int, conforming: int
) -> str | None:
    """Why the failed tasks may not be re-sat; None where they may."""
    if any(result.sitting > 1 for result in failed):
        return say("A re-sit failed: a task may be re-sat once.")
    if len(failed) > plan.resit_tasks:
        return say(
            "{count} tasks failed; at most {resit_tasks} may be re-sat.",
            count=len(failed),
            resit_tasks=plan.resit_tasks,
        )
    more = plan.samples_per_task * len(failed)
    best = reliability_bound(conforming + more, n + more, plan.confidence)
    if best < plan.share:
        return say(
            "Even a re-sit without a fault would show {best:.1%} at most, and "
            "{share:.0%} is demanded.",
            best=best,
            share=plan.share,
        )
    return None


def _failed_words(sample: JobSample) -> Iterator[str]:
    """Which limits a failed sample failed: "failed the limit of resistance"."""
    names = [
        found.criterion.removesuffix("_min").removesuffix("_max").replace("_", " ")
        for found in sample.criteria
        if found.verdict == "fail"
    ]
    if sample.verdict == "fail" and names:
        yield say("failed the limit of {names}", names=join(names, say(" and of ")))
    elif sample.verdict == "fail" and not sample.condemned_by:
        yield say("failed a limit")
