"""The book of jobs: starts them, says what is next, enters what follows, ends them.

Everything it says is worked out from the ledger at the moment it is asked, so a job goes on where
it was whatever was closed, killed or left over night, and at the hands of anyone.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Protocol, cast

from station.errors import BadInput
from station.jobs.daily.record import DailyRound
from station.jobs.plans import Plan, load_plans, plan_named
from station.jobs.sample_order import SampleOrder
from station.jobs.step import Content, Course, Outcome, job_ended
from station.ledger.entries import JobBegun, JobEnded, JobName, JobStep, Payload
from station.ledger.entry import Entry
from station.ledger.jobs import job_record, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.nests import NestBook, demand_free
from station.shop.sign_in import active_person


class JobKeeper(Protocol):
    """Knows one kind of job. Reads the ledger; what it returns is entered by the book."""

    def scope(self, plan: Plan, asked: Mapping[str, object], person: str) -> Content:
        """What a new job is about, checked (BadInput, NestOnHold, NotAllowed)."""

    def course(self, record: JobRecord) -> Course:
        """How the job stands."""

    def check_sample(self, record: JobRecord, order: SampleOrder) -> str:
        """The step that a sample of the job belongs to (BadInput where it belongs to none)."""

    def check_step(self, record: JobRecord, step: str, content: Content, person: str) -> Content:
        """What is entered for a step (BadInput, NotAllowed where it cannot be)."""

    def settle(self, record: JobRecord) -> Sequence[Payload]:
        """Entries that follow from the record by themselves; none while something is left."""

    def ending(self, record: JobRecord, person: str) -> Outcome:
        """What ending the job now comes to (BadInput, NotAllowed where it cannot end)."""


MADE_AGAIN_OR_VOIDED = "Measure it again or void it"


def utc_now() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)


class JobReadings:
    """How jobs stand, from a ledger that need not be writable.

    Parameters
    ----------
    now
        Tells which day is today.
    """

    def __init__(
        self,
        reader: LedgerReader,
        settings: Settings,
        *,
        demo: bool = False,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        self.reader = reader
        self._settings = settings
        self._demo = demo
        self.daily = DailyRound(reader, settings, demo=demo, now=now)
        self.keepers: dict[str, JobKeeper] = {"daily_check": self.daily}

    def plans(self) -> dict[str, Plan]:
        """Every plan at hand, by id; read anew, so that a changed file counts for the next job."""
        return load_plans(self._settings.plans_folder)

    def record(self, job_id: str) -> JobRecord:
        """All that is on record of a job (BadInput for an unknown id; its start will do)."""
        return job_record(self.reader, job_id)

    def course(self, job_id: str) -> Course:
        """How a job stands and what is next; nothing is next once it has ended."""
        record = self.record(job_id)
        if record.ended is not None:
            return Course((), (f"Ended: {record.ended.outcome}.", *record.ended.reasons))
        course = self._keeper(record.row.job).course(record)
        unfinished = [
            f"Sample {row.sample_id} was begun and never finished. {MADE_AGAIN_OR_VOIDED}."
            for row in self.reader.unfinished()
            if row.job_id == record.row.job_id
        ]
        return replace(course, lines=(*unfinished, *course.lines))

    def _keeper(self, job: str) -> JobKeeper:
        keeper = self.keepers.get(job)
        if keeper is None:
            raise BadInput(f"There is no job {job!r}: use one of {', '.join(self.keepers)}.")
        return keeper


class JobBook(JobReadings):
    """Keeps the jobs of one ledger.

    Parameters
    ----------
    ledger
        Open for writing.
    demo
        Marks the entries as invented.
    now
        Tells which day is today.
    """

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        *,
        demo: bool = False,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        super().__init__(ledger.reader, settings, demo=demo, now=now)
        self._ledger = ledger
        self.nests = NestBook(ledger, demo=demo, now=now)

    def begin(
        self,
        job: str,
        asked: Mapping[str, object],
        *,
        person: str,
        plan_id: str | None = None,
    ) -> str:
        """Begin a job and return its id. The plan in force is recorded with it.

        Raises
        ------
        BadInput, DataFileError, NotAllowed, NestOnHold
            The job cannot be begun; nothing was written.
        """
        active_person(self.reader, person)
        self.settle_all()
        keeper = self._keeper(job)
        plan = plan_named(self.plans(), job, plan_id)
        # What is open already is looked up while nobody else can begin the same.
        with self._ledger.transaction():
            begun = JobBegun(
                job=cast(JobName, job),
                plan_id=plan.id,
                plan=plan.model_dump(mode="json"),
                scope=keeper.scope(plan, asked, person),
                demo=self._demo,
            )
            job_id = self._ledger.append(begun, person=person).id
        self.settle(job_id, person)
        return job_id

    def order(self, order: SampleOrder) -> SampleOrder:
        """Check an order before anything is measured; with a job, its step is filled in.

        Raises
        ------
        NestOnHold
            The nest is held, and the sample is neither for its service nor its validation.
        BadInput
            The job has ended or wants no such sample, or the nest is being checked in a job.
        """
        self.settle_all()
        reader = self.reader
        demand_free(reader, order.joint.tool, order.joint.nest, order.job)
        if order.job_id is None:
            open_job = None
            if order.job == "daily_check":
                open_job = self.daily.open_checks().get((order.joint.tool, order.joint.nest))
            if open_job is not None:
                raise BadInput(
                    f"Nest {order.joint.nest} of {order.joint.tool} is being checked in job "
                    f"{open_job}: make the sample there."
                )
            return order
        record = self._open_record(order.job_id)
        if order.job != record.row.job:
            raise BadInput(f"Job {record.row.job_id} is a {record.row.job}, not a {order.job}.")
        keeper = self.keepers.get(record.row.job)
        if keeper is None:
            return order
        step = keeper.check_sample(record, order)
        return replace(order, job_id=record.row.job_id, step=step)

    def enter(self, job_id: str, step: str, content: Content, *, person: str) -> Entry:
        """Enter a step of a job.

        Raises
        ------
        BadInput, NotAllowed
            The job has ended, has no such step, or the person may not take it.
        """
        active_person(self.reader, person)
        record = self._open_record(job_id)
        checked = self._keeper(record.row.job).check_step(record, step, content, person)
        entered = JobStep(
            job_id=record.row.job_id, step=step, content=checked, demo=record.begun.demo
        )
        entry = self._ledger.append(entered, person=person)
        self.settle(record.row.job_id, person)
        return entry

    def settle(self, job_id: str, person: str) -> None:
        """Enter what follows from the record by itself; nothing where nothing does."""
        record = self.record(job_id)
        keeper = self.keepers.get(record.row.job)
        if record.ended is not None or keeper is None:
            return
        if not keeper.settle(record):
            return
        with self._ledger.transaction():
            # Asked again: somebody else may have entered it meanwhile.
            record = self.record(job_id)
            for payload in keeper.settle(record) if record.ended is None else ():
                self._ledger.append(payload, person=person)

    def settle_all(self) -> None:
        """Enter what follows in every open job: the station may have stopped before it did."""
        for row in jobs(self.reader, only_open=True):
            if row.job in self.keepers:
                self.settle(row.job_id, row.person)

    def end(self, job_id: str, *, person: str) -> JobEnded:
        """End a job with what it has come to.

        Raises
        ------
        BadInput, NotAllowed
            It has ended already, cannot end yet, or not by this person.
        """
        active_person(self.reader, person)
        record = self._open_record(job_id)
        ended = job_ended(record, self._keeper(record.row.job).ending(record, person))
        self._ledger.append(ended, person=person)
        return ended

    def _open_record(self, job_id: str) -> JobRecord:
        record = self.record(job_id)
        if record.ended is not None:
            raise BadInput(
                f"Job {record.row.job_id} has ended ({record.ended.outcome}): start another."
            )
        return record
