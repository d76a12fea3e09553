"""The operating characteristic of a validation plan: simulated tools of known quality.

Every tool is judged by the rule itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from station.crimp.verdict import DEFAULT_GUARD, judge_at_least
from station.jobs.odds import JOINT, LIMIT_N, U_N, Population, simulated_pull
from station.jobs.sample import JobSample
from station.jobs.validation.judge import judge_joint
from station.jobs.validation.plan import ToolValidationPlan
from station.ledger.entries import CriterionResult


@dataclass(frozen=True, slots=True)
class SimulatedTool:
    """How a simulated tool crimps and how it is read.

    Attributes
    ----------
    margin
        Mean of its crimps above the limit, in standard deviations.
    stray
        Share of crimps that hold only 0.6 of the limit.
    voids
        Share of tests that are void, whatever the crimp is worth.
    word_only
        True where the operator calls every crimp that fails void.
    gauge_high
        By how much the tester reads too high, in units of its stated uncertainty.
    """

    margin: float
    stray: float = 0.0
    voids: float = 0.02
    gauge_high: float = 0.0
    word_only: bool = False


def populations(plan: ToolValidationPlan) -> list[Population[SimulatedTool]]:
    """Tools just bad enough, plainly bad, and sound, by the plan's own coverage."""
    edge = float(ndtri(plan.coverage))
    return [
        (f"exactly {plan.coverage:.0%} of crimps hold", "bad", SimulatedTool(edge)),
        ("the same, tester reading one u high", "bad", SimulatedTool(edge, gauge_high=1.0)),
        ("95 % of crimps hold", "bad", SimulatedTool(float(ndtri(0.95)))),
        ("5 % stray weak crimps, the rest strong", "bad", SimulatedTool(6.0, stray=0.05)),
        ("10 % stray weak crimps, the rest strong", "bad", SimulatedTool(6.0, stray=0.10)),
        (
            "5 % stray, the operator calls each failed one void",
            "bad",
            SimulatedTool(6.0, stray=0.05, word_only=True),
        ),
        ("mean 4 deviations above the limit", "sound", SimulatedTool(4.0)),
        ("mean 5 deviations above the limit", "sound", SimulatedTool(5.0)),
        ("mean 6 deviations, 5 % of tests void", "sound", SimulatedTool(6.0, voids=0.05)),
    ]


def accepts(plan: ToolValidationPlan, tool: SimulatedTool, rng: np.random.Generator) -> bool:
    """Validate one simulated tool."""
    samples = list(simulated_samples(plan, tool, rng))
    return judge_joint(plan, JOINT, samples, guard=DEFAULT_GUARD).state == "accepted"


def simulated_samples(
    plan: ToolValidationPlan, tool: SimulatedTool, rng: np.random.Generator
) -> Iterator[JobSample]:
    """Samples until the plan has enough of them, or one void too many."""
    counted = voids = 0
    while counted < plan.samples_per_joint and voids <= plan.voids_allowed:
        peak_n = simulated_pull(tool.margin, tool.stray, rng, U_N * tool.gauge_high)
        sample = _sample(counted + voids, peak_n)
        if tool.word_only and sample.verdict == "fail":
            sample = replace(sample, verdict="void", word_only=True)
        elif rng.random() < tool.voids:
            sample = replace(sample, verdict="void")
        counted, voids = counted + (not sample.void), voids + sample.void
        yield sample


def _sample(number: int, value: float) -> JobSample:
    verdict = judge_at_least(value, U_N, LIMIT_N).verdict.value
    criterion = CriterionResult(
        criterion="pull_force_min", unit="N", value=value, u=U_N, limit=LIMIT_N, verdict=verdict,
        probability_conforming=None,
    )  # fmt: skip
    return JobSample(str(number), JOINT, verdict, "broke_at_edge", (criterion,))
