"""A bench without instruments, for the tests of the page."""

from dataclasses import dataclass

from calibration.standing import Role
from station.bench.board import Board, Stage
from station.crimp.facts import shipped_limit_sets
from station.crimp.limits import LimitSets
from station.errors import BadInput, StationError
from station.instruments.panel.base import NoPanel, PanelLine
from station.jobs.open_jobs import JobBook
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Payload
from station.ledger.entry import Entry
from station.ledger.store import Ledger
from station.settings import Settings
from tests.web.invented import NOW, begun, finish, order_of


@dataclass(frozen=True)
class Line:
    role: str
    profile: str
    port: str
    identity: str | None
    trouble: str | None
    simulated: bool


class FakeBench:
    """Answers the page like a bench; the test moves its board where instruments would."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self.board = Board()
        self.settings = Settings()
        self.jobs = JobBook(ledger, self.settings, now=lambda: NOW)
        self.limit_sets: LimitSets = shipped_limit_sets()
        self.simulated = True
        self.panel = NoPanel("No panel is set up: footswitch, guard and lamps are not used.").line()
        self.peak_n = 142.0
        """What the next samples hold."""
        self.problem: StationError | None = None
        """Raised by the next call, as an instrument or the ledger would."""

    def instruments(self) -> list[Line]:
        return [
            Line("meter", "invented-meter", "/dev/null", "Invented meter", None, True),
            Line("tester", "invented-tester", "/dev/null", None, "The cable was pulled out.", True),
        ]

    def panel_line(self) -> PanelLine:
        return self.panel

    def start(self, order: SampleOrder) -> None:
        if self.board.state.stage not in (Stage.IDLE, Stage.DONE):
            raise BadInput("A sample is under way on this bench: finish it or give it up first.")
        order = self.jobs.order(order)
        sample_id = self._ledger.append(begun(order), person=order.person).id
        self.board.show(
            stage=Stage.CLIP_ON, order=order, sample_id=sample_id, resistance_readings_ohm=(),
            force_n=None, peak_n=None, suggested_mode=None, outcome=None, trouble=None,
        )  # fmt: skip

    def confirm(self) -> None:
        if self.problem is not None:
            raise self.problem
        following = {Stage.CLIP_ON: Stage.READING, Stage.GRIP: Stage.PULLING}
        stage = self.board.state.stage
        if stage not in following:
            raise BadInput(f"The bench is not waiting for that: it is at {stage.value}.")
        self.board.show(stage=following[stage])

    def name_failure(self, mode: str) -> None:
        order, sample_id = self._in_hand()
        outcome = finish(self._ledger, sample_id, order, peak_n=self.peak_n, mode=mode)
        self.board.show(stage=Stage.DONE, outcome=outcome)
        if order.job_id is not None:
            self.jobs.settle(order.job_id, order.person)

    def abandon(self, reason: str) -> None:
        order, sample_id = self._in_hand()
        outcome = finish(self._ledger, sample_id, order, void_reason=f"given up: {reason}")
        self.board.show(stage=Stage.DONE, outcome=outcome)

    def void_unfinished(self, sample_id: str, person: str, reason: str) -> None:
        row = next(
            (row for row in self._ledger.reader.unfinished() if row.sample_id == sample_id), None
        )
        if row is None:
            raise BadInput(f"Sample {sample_id} is not waiting to be finished.")
        finish(self._ledger, sample_id, order_of(person, row.nest), void_reason=reason)

    def save_again(self) -> bool:
        if self.problem is None:
            self.board.show(unsaved=None)
        return self.problem is None

    def enter(self, payload: Payload, person: str) -> Entry:
        return self._ledger.append(payload, person=person)

    def read_standard(self, role: Role, expected: float) -> tuple[str, list[float]]:
        if self.problem is not None:
            raise self.problem
        return f"Invented {role}", [expected * scale for scale in (1.0, 1.001, 0.999)]

    def read_pull(self) -> tuple[str, float]:
        if self.problem is not None:
            raise self.problem
        return "Invented tester", 142.5

    def _in_hand(self) -> tuple[SampleOrder, str]:
        state = self.board.state
        if state.order is None or state.sample_id is None or state.stage is Stage.DONE:
            raise BadInput("The bench is not waiting for that.")
        return state.order, state.sample_id
