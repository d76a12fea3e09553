"""The jobs of a ledger: how one stands, and what a sample or its end means to it.

Everything is worked out from the ledger at the moment it is asked, so a job goes on where it was
whatever was closed, killed or left over night, and at the hands of anyone.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime

from calibration.saying import say
from station.errors import BadInput
from station.jobs.daily import record as daily
from station.jobs.daily.judge import JOB as DAILY
from station.jobs.daily.judge import Nest
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.steps import DueNest
from station.jobs.plans import chosen_plan
from station.jobs.record import demand_open, record_of, unfinished_samples
from station.jobs.sample_order import SampleOrder
from station.jobs.step import JobState
from station.ledger.entries import JobEnded
from station.ledger.jobs import job_record
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.nests import Nests, demand_free
from station.shop.sign_in import utc_now


def state_of_job(reader: LedgerReader, job_id: str) -> JobState:
    """How a daily check stands and what is next; nothing is next once it has ended (BadInput)."""
    record = job_record(reader, job_id)
    if record.ended is not None:
        return JobState(
            (), (say("Ended: {outcome}.", outcome=say(record.ended.outcome)), *record.ended.reasons)
        )
    state = daily.next_steps(daily.read(reader, record.row.job_id))
    unfinished = [
        say(
            "Sample {sample_id} was begun and never finished. Measure it again or void it.",
            sample_id=row.sample_id,
        )
        for row in unfinished_samples(reader, record.row.job_id)
    ]
    return replace(state, lines=(*unfinished, *state.lines))


class OpenJobs:
    """The jobs of one ledger, with the settings in force.

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
        self.nests = Nests(ledger, demo=demo, now=now)
        self._ledger = ledger
        self._settings = settings
        self._demo = demo
        self._now = now

    def record(self, job_id: str) -> JobRecord:
        """All that is on record of a job (BadInput for an unknown id; its start will do)."""
        return job_record(self._ledger.reader, job_id)

    def state(self, job_id: str) -> JobState:
        """How a daily check stands and what is next."""
        return state_of_job(self._ledger.reader, job_id)

    def due(self, plan_id: str | None = None) -> list[DueNest]:
        """Which nests are due for their daily check and why."""
        plan = chosen_plan(self._settings, DailyCheckPlan, plan_id)
        return daily.due(self._ledger.reader, plan, self._now())

    def begin_check(self, nests: Sequence[Nest], *, person: str, plan_id: str | None = None) -> str:
        """Begin a daily check of some nests; return the job's id.

        Raises
        ------
        BadInput, DataFileError, NotAllowed, NestOnHold
            The check cannot be begun; nothing was written.
        """
        plan = chosen_plan(self._settings, DailyCheckPlan, plan_id)
        return daily.begin(
            self._ledger, self._settings, plan, nests,
            person=person, now=self._now(), demo=self._demo,
        )  # fmt: skip

    def order(self, order: SampleOrder) -> SampleOrder:
        """Check an order before anything is measured; with a job, its step is filled in.

        Raises
        ------
        NestOnHold
            The nest is held, and the sample is neither for its service nor its validation.
        BadInput
            The job has ended or wants no such sample, or the nest is being checked in a job.
        """
        daily.settle_all(self._ledger)
        reader, joint = self._ledger.reader, order.joint
        demand_free(reader, joint.tool, joint.nest, order.job)
        if order.job_id is None:
            under_check = daily.open_checks(reader) if order.job == DAILY else {}
            if open_job := under_check.get((joint.tool, joint.nest)):
                raise BadInput(
                    "Nest {nest} of {tool} is being checked in job {open_job}: make the sample "
                    "there.",
                    nest=joint.nest,
                    tool=joint.tool,
                    open_job=open_job,
                )
            return order
        record = record_of(reader, order.job_id, order.job)
        demand_open(record)
        if order.job != DAILY:
            return order
        step = daily.stage_for(reader, record, order)
        return replace(order, job_id=record.row.job_id, step=step)

    def settle(self, job_id: str, person: str) -> None:
        """Enter what follows from the record of a job by itself; nothing where nothing does."""
        daily.settle(self._ledger, job_id, person)

    def end(self, job_id: str, *, person: str) -> JobEnded:
        """Break a daily check off (BadInput, NotAllowed)."""
        return daily.end(self._ledger, job_id, person=person)
