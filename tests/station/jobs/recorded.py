"""Samples written into a ledger as a bench would, for the tests of jobs on record."""

from datetime import datetime, timedelta
from typing import Any

from station.jobs.sample_order import SampleOrder
from station.ledger.chain import Moment
from station.ledger.entries import (
    InstrumentChecked,
    PersonAdded,
    SampleBegun,
    SampleFinished,
    ToolAdded,
)
from station.ledger.store import Ledger
from tests.station.jobs.invented_samples import criteria
from tests.station.ledger.invented_entries import CHECKED, PULL, RESISTANCE


def people_and_tools(ledger: Ledger) -> None:
    for name, role in (
        ("Lea", "lead"),
        ("Ida", "lead"),
        ("Ben", "installer"),
        ("Dag", "apprentice"),
    ):
        person = PersonAdded.model_validate({"name": name, "role": role})
        ledger.append(person, person="Lea")
    for tool in ("Egret", "Crane"):
        added = ToolAdded(tool=tool, description="invented", nests=("red", "blue", "yellow"))
        ledger.append(added, person="Lea")


def check_instruments(ledger: Ledger, *, passed: bool = True) -> None:
    for role in ("meter", "tester"):
        changes = {"role": role, "instrument": f"invented {role}", "passed": passed}
        ledger.append(
            InstrumentChecked.model_validate(CHECKED.model_dump() | changes), person="Ben"
        )


def take(
    ledger: Ledger,
    order: SampleOrder,
    force_n: float,
    splice_ohm: float = 0.25e-3,
    *,
    verdict: str | None = None,
    **changes: Any,
) -> str:
    """Begin and finish a sample; return its id."""
    begun = SampleBegun(
        job=order.job,
        joint=order.joint,
        limit_set=order.limit_set,
        job_id=order.job_id,
        step=order.step,
        offered_again_for=order.offered_again_for,
    )
    sample_id = ledger.append(begun, person=order.person).id
    found = criteria(force_n, splice_ohm)
    worst = "fail" if any(one.verdict == "fail" for one in found) else "pass"
    finished = {
        "sample_id": sample_id,
        "job": order.job,
        "joint": order.joint,
        "limit_set": order.limit_set,
        "limit_standing": "shop",
        "guard": 1.645,
        "checklist": dict(order.checklist),
        "resistance": RESISTANCE.model_copy(update={"splice_ohm": splice_ohm}),
        "pull": PULL.model_copy(update={"peak_n": force_n, "failure_mode": "broke_at_edge"}),
        "criteria": found,
        "verdict": verdict or worst,
        "job_id": order.job_id,
        "step": order.step,
    }
    ledger.append(SampleFinished.model_validate(finished | changes), person=order.person)
    return sample_id


class Clock:
    """A clock for a ledger that stands still until it is moved."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        self.synced = True

    def __call__(self) -> Moment:
        return Moment(self.at, clock_synced=self.synced, boot_id="invented", monotonic_s=0.0)

    def move(self, **by: float) -> None:
        self.at += timedelta(**by)
