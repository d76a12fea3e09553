"""Makes one sample of a job on simulated instruments, and stands still at a step to be killed.

``python -m tests.station.jobs.job_child LEDGER JOB_ID STEP`` says the step's name when it is there.
"""

import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from station.jobs.certification import blind as blind
from station.jobs.sample_order import SampleOrder
from station.jobs.validation import record as validations
from station.jobs.validation.record import read as read_validation
from station.ledger.jobs import job_record
from station.ledger.store import Ledger
from station.settings import Settings
from station.simulation.demo import HandsAsOperator, demo_limit_sets, simulated_bench
from tests.pace import unpaced
from tests.web.invented import order_of

STEPS = ("sample_gripped", "failure_mode")
"""Where something was measured already; before that, at ``clips_on``, nothing is on record."""


class StandsStill(HandsAsOperator):
    """Works until it comes to its step."""

    step = ""

    def _arrive(self, step: str) -> None:
        if step == self.step:
            print(step, flush=True)
            threading.Event().wait()

    def clips_on(self) -> None:
        self._arrive("clips_on")
        super().clips_on()

    def sample_gripped(self) -> None:
        self._arrive("sample_gripped")
        super().sample_gripped()

    def failure_mode(self, suggested: str | None) -> str:
        self._arrive("failure_mode")
        return super().failure_mode(suggested)


def order_of_job(ledger: Ledger, job_id: str) -> SampleOrder:
    """The order of the next sample: of the code that was judged, in a certification."""
    job = job_record(ledger.reader, job_id).begun.job
    if job == "tool_validation":
        validation = read_validation(ledger.reader, job_id)
        return validations.order(ledger, validation, None, person="Ben", now=datetime.now(UTC))
    if job == "certification":
        judged = [one.code for one in blind.pool(ledger.reader).samples if one.judged]
        return blind.order(ledger.reader, judged[0], person="Ida")
    plain = order_of("Bo Invented", "red")
    return replace(plain, job_id=job_id)


def main() -> None:
    path, job_id, step = sys.argv[1:]
    with (
        unpaced(),
        Ledger.open(Path(path)) as ledger,
        simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=False) as simulated,
    ):
        order = order_of_job(ledger, job_id)
        operator = StandsStill(simulated.hands, lambda _text: None, order.joint)
        operator.step = step
        simulated.bench.take_sample(order, operator)


if __name__ == "__main__":
    main()
