"""Coded numbers: a sample is judged under a code, so that nobody knows whose it is.

The key (which code is which task) is sealed; the station shows it to the one person who labels the
samples, and to nobody while there is anything to judge.
"""

from collections.abc import Mapping, Sequence
from typing import Literal

from station.jobs.certification.plan import CertificationPlan
from station.jobs.sample import JobSample
from station.ledger.entries import CodeFor

ALPHABET = "ACDEFHJKMNPRTUVWXY34679"
"""Without letters and digits that are mistaken for one another."""

CODE_LENGTH = 5

Part = Literal["candidate", "spare", "control"]


def slots_for(plan: CertificationPlan, tasks: Sequence[str], sitting: int) -> list[CodeFor]:
    """Every sample that a sitting needs, in plan order."""
    amounts: tuple[tuple[Part, int], ...] = (
        ("candidate", plan.samples_per_task),
        ("spare", plan.spares_per_task),
        ("control", plan.controls_per_task),
    )
    return [
        CodeFor(task=task, part=part, sitting=sitting, position=position)
        for task in tasks
        for part, amount in amounts
        for position in range(amount)
    ]


def in_plan_order(plan: CertificationPlan, key: Mapping[str, CodeFor]) -> list[tuple[str, CodeFor]]:
    """Codes with their slots as the samples are made and labelled: task by task, in turn.

    The record keeps a key by its codes, which is no order at all for who labels.
    """
    order = {
        (slot.task, slot.part, slot.position): place
        for place, slot in enumerate(slots_for(plan, [task.id for task in plan.tasks], 1))
    }
    return sorted(key.items(), key=lambda item: order[item[1].task, item[1].part, item[1].position])


def amounts_of(key: Mapping[str, CodeFor], sitting: int) -> dict[str, dict[Part, int]]:
    """How many samples a sitting needs of each task, by part; no code is in it."""
    found: dict[str, dict[Part, int]] = {}
    for slot in key.values():
        if slot.sitting == sitting:
            parts = found.setdefault(slot.task, {"candidate": 0, "spare": 0, "control": 0})
            parts[slot.part] += 1
    return found


def to_judge(key: Mapping[str, CodeFor], samples: Sequence[JobSample]) -> list[str]:
    """Codes that are still to be judged and measured, in the order of the codes themselves.

    A spare is called only where a sample of its task and sitting was void, the first spare first,
    so that nobody picks among them. A void control is not replaced.
    """
    done = {sample.step: sample for sample in samples}
    voids: dict[tuple[str, int], int] = {}
    for code, slot in key.items():
        if slot.part != "control" and code in done and done[code].void:
            voids[slot.task, slot.sitting] = voids.get((slot.task, slot.sitting), 0) + 1
    return sorted(
        code
        for code, slot in key.items()
        if code not in done
        and (slot.part != "spare" or slot.position < voids.get((slot.task, slot.sitting), 0))
    )
