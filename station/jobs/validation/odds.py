"""The operating characteristic of a validation plan: simulated tools of known quality.

Pull forces are drawn about a limit of 100, each read with an uncertainty of 0.5, and every tool is
judged by the rule itself. A margin is the distance of the tool's mean from the limit in standard
deviations of its crimps. All of it is invented: it shows what the plan does, not how tools are.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from station.crimp.verdict import DEFAULT_GUARD, judge_at_least
from station.jobs.odds import ErrorRate, Truth, error_rate
from station.jobs.sample import JobSample
from station.jobs.validation.judge import judge_joint
from station.jobs.validation.plan import ToolValidationPlan
from station.ledger.entries import CriterionResult, Joint

LIMIT = 100.0
SPREAD = 8.0
U = 0.5
READING_NOISE = 0.2

_JOINT = Joint(connector="invented", wires=("18 AWG",), tool="invented", nest="invented")


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


def populations(plan: ToolValidationPlan) -> list[tuple[str, Truth, SimulatedTool]]:
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


def validation_errors(
    plan: ToolValidationPlan, *, tools: int = 4_000, seed: int = 1
) -> list[ErrorRate]:
    """Share of bad tools accepted and of sound ones refused; gauge looks are taken as done."""
    bare = plan.model_copy(update={"nest_gauge": "off", "crimp_height": "off"})
    found = []
    for place, (words, truth, tool) in enumerate(populations(plan)):
        rng = np.random.default_rng([seed, place])
        accepted = sum(accepts(bare, tool, rng) for _ in range(tools))
        errors = accepted if truth == "bad" else tools - accepted
        found.append(error_rate(words, truth, errors, tools))
    return found


def accepts(plan: ToolValidationPlan, tool: SimulatedTool, rng: np.random.Generator) -> bool:
    """Validate one simulated tool."""
    samples = list(simulated_samples(plan, tool, rng))
    return judge_joint(plan, _JOINT, samples, guard=DEFAULT_GUARD).state == "accepted"


def simulated_samples(
    plan: ToolValidationPlan, tool: SimulatedTool, rng: np.random.Generator
) -> Iterator[JobSample]:
    """Samples until the plan has enough of them, or one void too many."""
    counted = voids = 0
    while counted < plan.samples_per_joint and voids <= plan.voids_allowed:
        sample = _sample(counted + voids, _reading(tool, rng))
        if tool.word_only and sample.verdict == "fail":
            sample = replace(sample, verdict="void", word_only=True)
        elif rng.random() < tool.voids:
            sample = replace(sample, verdict="void")
        counted, voids = counted + (not sample.void), voids + sample.void
        yield sample


def _reading(tool: SimulatedTool, rng: np.random.Generator) -> float:
    true = 0.6 * LIMIT
    if rng.random() >= tool.stray:
        true = rng.normal(LIMIT + tool.margin * SPREAD, SPREAD)
    return float(true + rng.normal(U * tool.gauge_high, READING_NOISE))


def _sample(number: int, value: float) -> JobSample:
    verdict = judge_at_least(value, U, LIMIT).verdict.value
    criterion = CriterionResult(
        criterion="pull_force_min", unit="N", value=value, u=U, limit=LIMIT, verdict=verdict,
        probability_conforming=None,
    )  # fmt: skip
    return JobSample(str(number), _JOINT, verdict, "broke_at_edge", (criterion,))
