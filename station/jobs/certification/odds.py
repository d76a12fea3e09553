"""The operating characteristic of a certification plan: simulated people of known skill.

Each makes every sample of the plan and re-sits where the plan lets them, unchanged: nobody learns
between sittings, which is against the weak ones' interest only. Judged by the rule itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from station.jobs.certification.codes import slots_for, to_judge
from station.jobs.certification.judge import judge_candidate
from station.jobs.certification.plan import CertificationPlan
from station.jobs.odds import Population
from station.jobs.sample import JobSample
from station.ledger.entries import BaselineSet, CodeFor, CriterionResult, Joint

BASELINE_SAMPLES = 30
_CENTER, _SIGMA = 1.6, 0.08
_CRITICAL = frozenset({"critical"})


@dataclass(frozen=True, slots=True)
class SimulatedPerson:
    """How a simulated candidate crimps.

    Attributes
    ----------
    fault
        Share of crimps that do not conform.
    minor
        Share with a minor fault.
    spread
        Of force, in units of the shop's own.
    worse_at
        Share of faults by task position, where it is another one.
    """

    fault: float
    minor: float = 0.02
    spread: float = 1.0
    voids: float = 0.02
    worse_at: Mapping[int, float] = field(default_factory=dict)


def populations(plan: CertificationPlan) -> list[Population[SimulatedPerson]]:
    """People at the edge of the plan's share, plainly weak, weak in one task, uneven, and sound."""
    edge = 1.0 - plan.share
    return [
        (f"exactly {plan.share:.0%} of crimps conform", "bad", SimulatedPerson(edge)),
        ("half as many faults again", "bad", SimulatedPerson(1.5 * edge)),
        ("sound but for one task: 20 % faults", "bad", SimulatedPerson(0.002, worse_at={0: 0.2})),
        ("sound but for one task: 40 % faults", "bad", SimulatedPerson(0.002, worse_at={0: 0.4})),
        ("no faults, spread 2.5 times the shop's", "bad", SimulatedPerson(0.0, spread=2.5)),
        ("1 in 500 does not conform", "sound", SimulatedPerson(0.002)),
        ("1 in 200, spread 1.2 times the shop's", "sound", SimulatedPerson(0.005, spread=1.2)),
        ("1 in 100, 3 % minor faults", "sound", SimulatedPerson(0.01, minor=0.03)),
    ]


def certifies(plan: CertificationPlan, person: SimulatedPerson, rng: np.random.Generator) -> bool:
    """Take one simulated candidate through the plan, with the re-sit where there is one."""
    key: dict[str, CodeFor] = {}
    samples: list[JobSample] = []
    baselines = _baselines(plan, rng)
    tasks = [task.id for task in plan.tasks]
    for sitting in (1, 2):
        slots = slots_for(plan, tasks, sitting)
        key |= {f"{sitting}-{place:04}": slot for place, slot in enumerate(slots)}
        while waiting := to_judge(key, samples):
            samples += [_sample(plan, person, key[code], code, rng) for code in waiting]
        result = judge_candidate(plan, key, samples, _CRITICAL, baselines)
        if result.outcome != "re_sit":
            return result.outcome == "certified"
        tasks = list(result.may_resit)
    return False


def _joint(plan: CertificationPlan, task: str) -> Joint:
    made = plan.task(task)
    return Joint(connector=made.connector, wires=made.wires, tool="invented", nest=made.band)


def _baselines(plan: CertificationPlan, rng: np.random.Generator) -> dict[str, BaselineSet]:
    """The shop's own, each known from so many samples only."""
    found = {}
    for task in plan.tasks:
        values = rng.normal(_CENTER, _SIGMA, BASELINE_SAMPLES)
        joint = _joint(plan, task.id)
        found[joint.key] = BaselineSet(
            joint=joint,
            baseline_version=1,
            n=BASELINE_SAMPLES,
            force_ratio_center=float(values.mean()),
            force_ratio_sigma=float(values.std(ddof=1)),
            log_resistance_center=0.0,
            log_resistance_sigma=1.0,
            sample_ids=(),
        )
    return found


def _sample(
    plan: CertificationPlan,
    person: SimulatedPerson,
    slot: CodeFor,
    code: str,
    rng: np.random.Generator,
) -> JobSample:
    if slot.part == "control":
        person = SimulatedPerson(0.0, minor=0.0)
    position = [task.id for task in plan.tasks].index(slot.task)
    fault, minor, void = rng.random(3) < (
        person.worse_at.get(position, person.fault),
        person.minor,
        person.voids,
    )
    ratio = float(rng.normal(_CENTER, _SIGMA * person.spread))
    criterion = CriterionResult(
        criterion="pull_force_min", unit="N", value=ratio, u=0.0, limit=1.0, verdict="pass",
        probability_conforming=None,
    )  # fmt: skip
    checklist = {"critical": not fault, "minor": not minor}
    verdict = "void" if void else "pass"
    return JobSample(code, _joint(plan, slot.task), verdict, None, (criterion,), checklist, code)
