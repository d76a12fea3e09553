"""An invented shop with one tool, and hands that make samples for its jobs without instruments."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from station.jobs.open_jobs import OpenJobs
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import BaselineSet, PersonAdded, SampleFinished, ToolAdded
from station.ledger.store import Ledger
from station.settings import Settings
from tests.web.invented import NOW, baseline, begun, finish, moment, order_of

TOOL = "Hand tool 1"
STRONG_N, CLOSE_N, WEAK_N = 142.0, 89.0, 60.0
"""Beyond, at and below the limit of 89 N for 18 AWG."""


PEOPLE = {"Ann Example": "lead", "Bo Invented": "installer", "Cy Invented": "apprentice"}


@dataclass
class Clock:
    """A clock that the test sets."""

    now: datetime = NOW


@dataclass
class Shop:
    """A ledger with its jobs."""

    ledger: Ledger
    clock: Clock
    jobs: OpenJobs = field(init=False)

    def __post_init__(self) -> None:
        self.start_again()

    def start_again(self) -> None:
        """As after a start of the station: nothing is known but the ledger."""
        self.jobs = OpenJobs(self.ledger, Settings(), now=lambda: self.clock.now)

    def begin(self, *nests: str, person: str = "Bo Invented") -> str:
        asked = [(TOOL, nest) for nest in nests or ("red",)]
        return self.jobs.begin_check(asked, person=person)

    def order(self, job_id: str | None, nest: str = "red", person: str = "Bo Invented",
              again_for: str | None = None) -> SampleOrder:  # fmt: skip
        plain = order_of(person, nest, again_for)
        return self.jobs.order(replace(plain, job_id=job_id))

    def make(
        self, job_id: str | None, peak_n: float = STRONG_N, *, nest: str = "red",
        person: str = "Bo Invented", void_reason: str | None = None, settle: bool = True,
    ) -> SampleFinished:  # fmt: skip
        """Make one sample as the bench does: order, begin, finish, let the job take note."""
        order = self.order(job_id, nest, person)
        sample_id = self.ledger.append(begun(order), person=person).id
        finished = finish(
            self.ledger, sample_id, order, peak_n=peak_n, void_reason=void_reason, demo=False
        )
        if job_id is not None and settle:
            self.jobs.settle(job_id, person)
        return finished

    def outcome(self, job_id: str) -> str | None:
        ended = self.jobs.record(job_id).ended
        return None if ended is None else ended.outcome

    def new_baseline(self, nest: str) -> BaselineSet:
        return baseline(nest).model_copy(update={"baseline_version": 2})

    def next_day(self) -> None:
        self.clock.now += timedelta(days=1)


@contextmanager
def opened_shop(folder: Path) -> Iterator[Shop]:
    """Everyone and everything on record, and a baseline for two nests."""
    clock = Clock()
    with Ledger.open(folder / "shop.ledger", clock=lambda: moment(clock.now)) as ledger:
        nests = ("red", "blue", "yellow")
        with ledger.transaction():
            for name, role in PEOPLE.items():
                added = PersonAdded.model_validate({"name": name, "role": role})
                ledger.append(added, person="Ann Example")
            tool = ToolAdded(tool=TOOL, description="An invented tool", nests=nests)
            ledger.append(tool, person="Ann Example")
            for nest in ("red", "blue"):
                ledger.append(baseline(nest), person="Ann Example")
        yield Shop(ledger, clock)
