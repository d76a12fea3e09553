"""The invented shop's daily rounds: each working morning a daily check of its nests."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import cast

from pydantic import JsonValue

from station.job_keeping import Content
from station.jobs import daily_check
from station.jobs.daily_check import NestEvidence, OutcomeWord, Place
from station.jobs.daily_plan import DailyCheckPlan
from station.ledger.chain import Moment
from station.ledger.entries import NEST_OUTCOME, JobBegun, JobEnded, JobStep, SampleFinished
from station.ledger.store import Ledger
from station.plan_files import load_plans, plan_named

SAMPLES = 2
"""What the invented shop took of each nest; who tries the demo checks by the shipped plan."""


@dataclass
class Round:
    """The check of one morning, while its samples are invented."""

    job_id: str
    day: date
    person: str
    plan: DailyCheckPlan
    samples: dict[Place, list[tuple[str, str]]] = field(default_factory=dict)
    """Id and verdict of each sample, by tool and nest."""

    def note(self, sample_id: str, finished: SampleFinished) -> None:
        """Count a sample for its nest."""
        place = (finished.joint.tool, finished.joint.nest)
        self.samples.setdefault(place, []).append((sample_id, finished.verdict))


def round_plan() -> DailyCheckPlan:
    """The invented shop's own plan: the shipped one with a single stage of fewer samples."""
    shipped = plan_named(load_plans(None), daily_check.JOB, None)
    return DailyCheckPlan.model_validate(
        shipped.model_dump()
        | {
            "id": "tern-lane-round",
            "title": "Morning round of an invented shop",
            "standing": "invented for the demo",
            "reasoning": ["Two samples a nest: invented, and fewer than the shipped plan takes."],
            "first_stage": SAMPLES,
            "second_stage": 0,
        }
    )


def begin_round(
    ledger: Ledger,
    places: Sequence[Place],
    person: str,
    moment: Moment,
    *,
    after_seq: int,
    run_length: float,
) -> Round:
    """Begin the check of a morning; samples begun after entry ``after_seq`` count."""
    plan = round_plan()
    nests: list[JsonValue] = [
        {
            "tool": tool,
            "nest": nest,
            "counts_from_seq": after_seq,
            "voids_from_seq": after_seq,
            "run_length": run_length,
        }
        for tool, nest in places
    ]
    begun = JobBegun(
        demo=True,
        job="daily_check",
        plan_id=plan.id,
        plan=plan.model_dump(mode="json"),
        scope={"nests": nests},
    )
    entry = ledger.append(begun, person=person, moment=moment)
    return Round(entry.id, moment.at_utc.date(), person, plan)


def end_round(ledger: Ledger, made: Round, moment: Moment) -> None:
    """Write what was found of each nest by the samples of the morning, and the end of the check.

    The wear watch is not asked: nests that wear in the invented history are not checked in it.
    """
    words: dict[Place, OutcomeWord] = {}
    left: list[Place] = []
    for place, samples in made.samples.items():
        evidence = NestEvidence(tuple(verdict for _, verdict in samples))
        finding = daily_check.judge(made.plan, evidence)
        if finding.outcome is None or finding.outcome == "held":
            left.append(place)
            continue
        words[place] = finding.outcome
        content: Content = {
            "tool": place[0],
            "nest": place[1],
            "outcome": finding.outcome,
            "needs": "",
            "stage": finding.stage,
            "reasons": list(finding.reasons),
            "samples": [sample_id for sample_id, _ in samples],
            "voids": [],
        }
        found = JobStep(demo=True, job_id=made.job_id, step=NEST_OUTCOME, content=content)
        ledger.append(found, person=made.person, moment=moment)
    outcome = daily_check.outcome_of(words, left)
    ended = JobEnded(
        demo=True,
        job_id=made.job_id,
        outcome=outcome.word,
        reasons=outcome.reasons,
        figures=cast(Content, dict(outcome.figures)),
    )
    ledger.append(ended, person=made.person, moment=moment)
