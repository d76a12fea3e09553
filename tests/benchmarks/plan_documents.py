"""The documents of the shipped plans: their reasoning, their numbers, and how often they are wrong.

They are written by ``python -m tests.benchmarks.job_errors --write`` and stand beside the plans.
"""

import inspect
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from station.jobs.daily.let_through import WORK_DAYS
from station.jobs.odds import ErrorRate
from station.jobs.plan_odds import error_words
from station.jobs.plans import Plan

FOLDER = Path(__file__).parents[2] / "station" / "data" / "plans"
SAID_ELSEWHERE = ("id", "job", "title", "standing", "reasoning", "tasks")


def document_of(
    plan: Plan, rates: list[ErrorRate], through: Sequence[Mapping[str, Any]] = ()
) -> str:
    """The document of a plan; for a daily check with what it and the others let through."""
    tried = max((rate.tried for rate in rates), default=0)
    lines = [
        f"# {plan.title}",
        "",
        f"Plan `{plan.id}` for the job `{plan.job}`. Standing: {plan.standing}; no standard asks "
        "for these numbers. A shop changes them in a copy of the file under another id, in the "
        "folder that the setting `plans_folder` names; the plan in force is recorded with each "
        "job.",
        "",
        "## Why so",
        "",
        *(f"- {reason}" for reason in plan.reasoning),
        "",
        "## Its numbers",
        "",
        "| number | value | meaning |",
        "| --- | --- | --- |",
        *_numbers(plan),
        "",
        "## How often it is wrong",
        "",
        f"By `station job odds {plan.id} --tries {tried}` on simulated populations of "
        "known quality, with exact 95 % intervals (Clopper and Pearson). What is simulated is "
        "invented: it shows what the plan does, not how tools or people are.",
        "",
        "| what is true | error | share | interval | tried |",
        "| --- | --- | --- | --- | --- |",
        *(
            f"| {rate.population} | {error_words(plan.job, rate)} | {rate.share:.1%} "
            f"| {rate.low:.1%} to {rate.high:.1%} | {rate.tried} |"
            for rate in rates
        ),
        "",
        *(_let_through(through) if through else ()),
    ]
    return "\n".join(lines)


def write_document(
    plan: Plan, rates: list[ErrorRate], through: Sequence[Mapping[str, Any]] = ()
) -> None:
    """Write a plan's document beside it."""
    (FOLDER / f"{plan.id}.md").write_text(document_of(plan, rates, through), encoding="utf-8")


def _let_through(through: Sequence[Mapping[str, Any]]) -> list[str]:
    crimps = through[0]["crimps_a_day"]
    happenings = zip(*(one["happenings"] for one in through), strict=True)
    return [
        "## What leaves the shop before a nest is found",
        "",
        f"At {crimps:g} crimps a day in the nest (`station job odds` takes your own by "
        "`--crimps-a-day`): bad crimps that left before a long steady nest was found, which "
        "something happens to in the middle of a day, on average and, in brackets, what nine "
        f"nests in ten stay below; and the crimps that checks of a sound nest take in "
        f"{WORK_DAYS} days.",
        "",
        f"| the nest | {' | '.join(str(one['plan']) for one in through)} |",
        f"| --- |{' --- |' * len(through)}",
        *(
            f"| {each[0]['happening']} | "
            + " | ".join(f"{one['bad_crimps']:.1f} ({one['nine_in_ten']:.0f})" for one in each)
            + " |"
            for each in happenings
        ),
        "| *checks take* | "
        + " | ".join(f"{one['checks_take_a_year']:.0f}" for one in through)
        + " |",
        "",
    ]


def _numbers(plan: BaseModel, group: str = "") -> list[str]:
    rows = []
    for name, value in plan.model_dump(mode="json").items():
        if isinstance(part := getattr(plan, name), BaseModel):
            rows += _numbers(part, f"{name}.")
        elif name not in SAID_ELSEWHERE and value is not None:
            rows.append(f"| {group}{name} | {value} | {_meaning(plan, name)} |")
    return rows


def _meaning(plan: BaseModel, name: str) -> str:
    """What the model's source says below a field, in one line."""
    source = inspect.getsource(type(plan))
    _, _, after = source.partition(f"\n    {name}:")
    lines = after.split("\n")[1:]
    if not lines or not lines[0].strip().startswith('"""'):
        return ""
    text = "\n".join(lines).split('"""')[1]
    return " ".join(text.split())
