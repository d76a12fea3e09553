"""Makes one sample of a job on simulated instruments, and stands still at a step to be killed.

``python -m tests.station.job_child LEDGER JOB_ID STEP`` says the step's name when it is there.
"""

import sys
import threading
from pathlib import Path

from station.bench_state import SampleOrder
from station.demo.run import HandsAsOperator, demo_limit_sets, simulated_bench
from station.ledger.store import Ledger
from station.settings import Settings
from tests.web.invented import order_of

STEPS = ("clips_on", "sample_gripped", "failure_mode")


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


def main() -> None:
    path, job_id, step = sys.argv[1:]
    plain = order_of("Bo Invented", "red")
    with (
        Ledger.open(Path(path)) as ledger,
        simulated_bench(ledger, demo_limit_sets(), Settings(), seed=5, demo=False) as simulated,
    ):
        operator = StandsStill(simulated.hands, lambda _text: None, plain.joint)
        operator.step = step
        order = SampleOrder(plain.person, plain.job, plain.joint, plain.limit_set, job_id=job_id)
        simulated.bench.take_sample(order, operator)


if __name__ == "__main__":
    main()
