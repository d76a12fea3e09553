from collections.abc import Mapping
from dataclasses import replace

import pytest
from pydantic import ValidationError

from station.crimp.facts import shipped_book
from station.crimp.wire import parse_size
from station.files import DATA, read_toml
from station.jobs.certification.codes import slots_for, to_judge
from station.jobs.certification.judge import CertificationResult, judge_candidate
from station.jobs.certification.plan import CertificationPlan
from station.jobs.sample import JobSample
from station.ledger.entries import BaselineSet, CodeFor, Joint
from station.statistics.capability import success_run
from tests.station.jobs.invented_samples import (
    FORCE_LIMIT_N,
    RESISTANCE_LIMIT_OHM,
    criteria,
    normal_forces,
    sample,
)

PLAN = read_toml(DATA / "plans" / "certification.toml", CertificationPlan)
CRITICAL = frozenset({"strands-whole", "bottomed"})
TASKS = [task.id for task in PLAN.tasks]


def joint_of(task: str) -> Joint:
    made = PLAN.task(task)
    return Joint(connector=made.connector, wires=made.wires, tool="Egret", nest=made.band)


def key_of(tasks: list[str], sitting: int = 1) -> dict[str, CodeFor]:
    slots = slots_for(PLAN, tasks, sitting)
    return {f"S{sitting}-{place:03}": slot for place, slot in enumerate(slots)}


FORCES = normal_forces(10, 140.0, 6.0)


def sat(
    key: Mapping[str, CodeFor],
    faults: Mapping[tuple[str, int], Mapping[str, bool]] | None = None,
    forces: Mapping[tuple[str, int], float] | None = None,
) -> list[JobSample]:
    """Every sample of a sitting judged, good but for what is named by task and position."""
    samples: list[JobSample] = []
    while waiting := to_judge(key, samples):
        slot = key[waiting[0]]
        place = (slot.task, slot.position) if slot.part == "candidate" else ("", -1)
        samples.append(
            sample(
                len(samples),
                (forces or {}).get(place, FORCES[slot.position % 10]),
                joint=joint_of(slot.task),
                step=waiting[0],
                checklist={"strands-whole": True, "centred": True}
                | dict((faults or {}).get(place, {})),
            )
        )
    return samples


def judged(
    key: Mapping[str, CodeFor],
    samples: list[JobSample],
    baselines: Mapping[str, BaselineSet] | None = None,
) -> CertificationResult:
    return judge_candidate(PLAN, key, samples, CRITICAL, baselines or {})


def test_sixty_without_failure_certify_and_show_the_published_share() -> None:
    key = key_of(TASKS)
    result = judged(key, sat(key))
    assert result.outcome == "certified"
    assert (result.n, result.conforming) == (60, 60)
    # Success run: ln 0.05 / ln 0.95 = 58.4, so 59 samples without a failure show 95 % with 95 %
    # confidence [calc], and 60 a little more.
    assert success_run(0.95, 0.95) == 59
    assert result.bound == pytest.approx(0.05 ** (1 / 60))
    assert result.bound is not None
    assert result.bound > 0.95
    assert (result.controls, result.controls_conforming) == (6, 6)


def test_reasoning_of_the_shipped_plan_is_true() -> None:
    from scipy.stats import binomtest

    def shown(bad: int) -> float:
        test = binomtest(60 - bad, 60, alternative="greater")
        return float(test.proportion_ci(0.95, method="exact").low)

    words = " ".join(PLAN.reasoning)
    assert f"{shown(1):.1%}".replace("%", " %") in words
    assert f"{shown(2):.1%}".replace("%", " %") in words


def test_shipped_tasks_fit_their_barrels_and_span_the_families() -> None:
    book = shipped_book()
    for task in PLAN.tasks:
        connector = book.connectors[task.connector]
        assert book.fit(connector, [parse_size(wire) for wire in task.wires]).ok
        assert connector.band == task.band
    families = {book.connectors[task.connector].family for task in PLAN.tasks}
    assert families == {"butt splice", "parallel splice", "ring", "bullet pair"}


def test_not_finished_until_the_last_code_is_judged() -> None:
    key = key_of(TASKS)
    samples = sat(key)
    assert judged(key, []).outcome == "not_finished"
    assert judged(key, samples[:-1]).outcome == "not_finished"
    assert judged({}, []).outcome == "not_finished"


def test_one_critical_fault_fails_its_task_only_and_allows_a_resit() -> None:
    key = key_of(TASKS)
    result = judged(key, sat(key, faults={("tap", 3): {"strands-whole": False}}))
    assert result.outcome == "re_sit"
    assert result.may_resit == ("tap",)
    assert "strands-whole" in result.reasons[0]


def test_a_failed_limit_is_critical() -> None:
    key = key_of(TASKS)
    result = judged(key, sat(key, forces={("bullet", 0): FORCE_LIMIT_N - 10.0}))
    assert result.may_resit == ("bullet",)
    assert "failed the limit of pull force)" in result.reasons[0]


def test_which_limits_failed_is_said() -> None:
    key = key_of(TASKS)
    weak = sat(key, forces={("tap", 0): FORCE_LIMIT_N - 10.0})
    both = criteria(FORCE_LIMIT_N - 10.0, 2.0 * RESISTANCE_LIMIT_OHM)
    samples = [replace(one, criteria=both) if one.verdict == "fail" else one for one in weak]
    assert "failed the limit of pull force and of resistance" in judged(key, samples).reasons[0]
    # What was measured elsewhere may come with a verdict alone.
    bare = [replace(one, criteria=()) if one.verdict == "fail" else one for one in weak]
    assert "failed a limit" in judged(key, bare).reasons[0]


def test_a_resit_adds_samples_and_keeps_the_failure() -> None:
    first, again = key_of(TASKS), key_of(["tap"], 2)
    samples = sat(first, faults={("tap", 3): {"strands-whole": False}}) + sat(again)
    result = judged({**first, **again}, samples)
    assert result.outcome == "certified"
    assert (result.n, result.conforming) == (70, 69)


def test_a_second_failure_ends_it() -> None:
    first, again = key_of(TASKS), key_of(["tap"], 2)
    fault = {("tap", 3): {"strands-whole": False}}
    result = judged({**first, **again}, sat(first, faults=fault) + sat(again, faults=fault))
    assert result.outcome == "not_certified"
    assert "may be re-sat once" in result.reasons[-1]


def test_three_failed_tasks_end_it() -> None:
    key = key_of(TASKS)
    faults = {(task, 0): {"strands-whole": False} for task in TASKS[:3]}
    result = judged(key, sat(key, faults=faults))
    assert result.outcome == "not_certified"
    assert "at most 2" in result.reasons[-1]


def test_a_resit_that_cannot_help_is_not_offered() -> None:
    key = key_of(TASKS)
    faults = {("tap", place): {"strands-whole": False} for place in range(6)}
    result = judged(key, sat(key, faults=faults))
    assert result.outcome == "not_certified"
    assert "Even a re-sit" in result.reasons[-1]


def test_minor_faults_are_allowed_up_to_the_plan() -> None:
    key = key_of(TASKS)
    two = {("tap", place): {"centred": False} for place in range(2)}
    assert judged(key, sat(key, faults=two)).outcome == "certified"
    three = {("tap", place): {"centred": False} for place in range(3)}
    assert judged(key, sat(key, faults=three)).may_resit == ("tap",)


def test_undecided_does_not_conform() -> None:
    key = key_of(TASKS)
    samples = sat(key)
    samples[0] = sample(0, 89.2, joint=samples[0].joint, step=samples[0].step, verdict="undecided")
    result = judged(key, samples)
    assert (result.n, result.conforming) == (60, 59)


def test_too_many_voids_fail_the_task() -> None:
    key = key_of(TASKS)
    samples: list[JobSample] = []
    while waiting := to_judge(key, samples):
        slot = key[waiting[0]]
        void = slot.task == "tap" and (slot.part == "spare" or slot.position == 0)
        samples.append(
            sample(
                len(samples),
                FORCES[slot.position % 10],
                joint=joint_of(slot.task),
                step=waiting[0],
                verdict="void" if void else None,
            )
        )
    result = judged(key, samples)
    assert result.outcome == "re_sit"
    assert "void" in result.reasons[0]


def test_wide_spread_is_not_certified_though_all_conform() -> None:
    key = key_of(TASKS)
    baselines = {
        joint_of(task).key: BaselineSet(
            joint=joint_of(task),
            baseline_version=1,
            n=30,
            force_ratio_center=1.6,
            force_ratio_sigma=6.0 / FORCE_LIMIT_N * scale,
            log_resistance_center=-8.3,
            log_resistance_sigma=0.06,
            sample_ids=(),
        )
        for task, scale in zip(TASKS, [1.0] * 6, strict=True)
    }
    even = judged(key, sat(key), baselines)
    assert even.outcome == "certified"
    assert even.force_spread is not None
    assert even.force_spread.ratio == pytest.approx(1.0)
    assert even.resistance_spread is None
    uneven = {
        (task, place): 140.0 + 3.0 * (FORCES[place] - 140.0)
        for task in TASKS
        for place in range(10)
    }
    wide = judged(key, sat(key, forces=uneven), baselines)
    assert wide.conforming == 60
    assert wide.outcome == "not_certified"
    assert "3.0 times the shop's own" in wide.reasons[0]


def test_a_plan_that_nobody_could_pass_is_refused() -> None:
    with pytest.raises(ValidationError, match="plan more samples"):
        CertificationPlan.model_validate(PLAN.model_dump() | {"share": 0.99})
    with pytest.raises(ValidationError, match="one id"):
        CertificationPlan.model_validate(
            PLAN.model_dump() | {"tasks": [PLAN.tasks[0].model_dump()] * 6}
        )
