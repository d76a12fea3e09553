"""The real bench for the tests of the page: only its two instruments are invented."""

import threading
import time
from collections.abc import Callable
from statistics import fmean

import numpy as np

from calibration.standing import InstrumentKind
from calibration.worth import ForceWorth, OhmWorth
from station.bench.bench import Bench
from station.bench.board import Stage
from station.crimp.facts import shipped_book, shipped_limit_sets
from station.crimp.wire import parse_size, resistance_ohm_per_m
from station.errors import StationError
from station.instruments.bay import (
    BayMeter,
    BayTester,
    InstrumentBay,
    InstrumentLine,
)
from station.instruments.panel.base import NoPanel
from station.instruments.pull_tester import ForceTrace
from station.jobs.open_jobs import OpenJobs
from station.jobs.sample_order import SampleOrder
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.trust import Trust
from station.simulation.workshop import good_looks
from tests.web.invented import NOW, WIRE_OHM

PATIENCE_S = 60.0


class InventedMeter(BayMeter):
    """Reads what its bay says, at once or when it is let."""

    def __init__(self, bay: "InventedBay") -> None:
        self._at = bay
        self.worth = OhmWorth(0.2, 0.02, 20e-3, 1e-7)
        self.same_as_before = False
        self.test_current_a = None
        self.last_reading = None

    def read_repeats(
        self, repeats: int, on_reading: Callable[[float], None] = lambda _ohm: None
    ) -> list[float]:
        self._at.gate.wait(PATIENCE_S)
        readings = [self._at.ohm] * repeats
        for ohm in readings:
            on_reading(ohm)
        return readings


class InventedTester(BayTester):
    """Records a pull that rises to what its bay says, and lets go."""

    def __init__(self, bay: "InventedBay") -> None:
        self._at = bay
        self.worth = ForceWorth(0.2, 0.1, None, 1000.0)

    def record(
        self, on_force: Callable[[float, float], None], stop: threading.Event, preload_n: float
    ) -> ForceTrace:
        while not (self._at.gate.is_set() or stop.is_set()):
            self._at.gate.wait(0.05)
        time_s = np.linspace(0.0, 4.0, 401)
        force_n = np.where(time_s < 3.0, self._at.peak_n * time_s / 3.0, 0.0)
        force_n[300] = self._at.peak_n
        on_force(3.0, self._at.peak_n)
        void_reason = "the recording was stopped" if stop.is_set() else None
        return ForceTrace(
            time_s, force_n, "arrival", 100.0, 0, "N", unit_assumed=False, overload=False,
            ended_by="stopped" if stop.is_set() else "force fell", void_reason=void_reason,
        )  # fmt: skip

    def read_forces(self, count: int) -> list[float]:
        return [0.0] * count


class InventedBay(InstrumentBay):
    """A meter and a tester that answer at once; nothing hangs on a port."""

    def __init__(self) -> None:
        super().__init__(Settings())
        self.ohm = WIRE_OHM + 4e-4
        self.peak_n = 142.0
        self.problem: StationError | None = None
        """Raised where an instrument is asked for, as one that is silent would."""
        self.gate = threading.Event()
        """Cleared while the instruments are to take their time."""
        self.gate.set()

    @property
    def simulated(self) -> bool:
        return True

    def lines(self) -> list[InstrumentLine]:
        lost = "The cable was pulled out."
        return [
            InstrumentLine("meter", "meter", "invented-meter", "/dev/null", "Invented meter", None,
                           True),
            InstrumentLine("tester", "tester", "invented-tester", "/dev/null", None, lost, True),
        ]  # fmt: skip

    def line(self, role: InstrumentKind) -> InstrumentLine:
        return InstrumentLine(
            role, role, f"invented-{role}", "/dev/null", f"Invented {role}", None, True
        )

    def meter(self, expected_ohm: float) -> BayMeter:
        self._demand()
        return InventedMeter(self)

    def tester(self) -> BayTester:
        self._demand()
        return InventedTester(self)

    def _demand(self) -> None:
        if self.problem is not None:
            raise self.problem


class BenchAtHand(Bench):
    """A bench over a ledger of the tests, at their moment, with a person's hands."""

    def __init__(self, ledger: Ledger) -> None:
        self.bay = InventedBay()
        settings = Settings()
        super().__init__(
            settings=settings,
            ledger=ledger,
            bay=self.bay,
            limit_sets=shipped_limit_sets(),
            connectors=shipped_book(),
            panel=NoPanel("No panel is set up: footswitch, guard and lamps are not used."),
            demo=True,
        )
        self.jobs = OpenJobs(ledger, settings, demo=True, now=lambda: NOW)
        self.trust = Trust(ledger.reader, settings, clock=lambda: NOW)

    def until(self, *stages: Stage) -> None:
        """Wait until the bench is at a stage."""
        until_s = time.monotonic() + PATIENCE_S
        state = self.board.state
        while state.stage not in stages:
            assert time.monotonic() < until_s, state
            state = self.board.wait_beyond(state.version, 1.0)

    def clip(self, order: SampleOrder) -> None:
        """Take a sample up, as far as its clips."""
        self.start(order)
        self.until(Stage.CLIP_ON)

    def give_up(self, reason: str) -> None:
        """Give the sample up once it was read, and see it on record."""
        if self.board.state.may_step_back:
            self.grip()
        self.abandon(reason)
        self.until(Stage.DONE)

    def see_it_is_good(self) -> None:
        """Answer every look that is not answered yet with yes."""
        order = self.board.state.order
        if order is not None and not order.coded:
            self.look({**good_looks(order.joint), **order.checklist})

    def grip(self) -> None:
        """Clip on and read, as far as the grips."""
        self.confirm()
        self.until(Stage.GRIP)

    def pull(self) -> None:
        """Grip and pull, as far as the question how the sample let go."""
        self.confirm()
        self.until(Stage.NAME_FAILURE)

    def finish(
        self, peak_n: float = 142.0, *, splice_ohm: float = 4e-4, mode: str = "drawn_out",
        looked: bool = True,
    ) -> None:  # fmt: skip
        """Make the sample that was taken up, as a person would; without a meter it is gripped."""
        self.until(Stage.CLIP_ON, Stage.GRIP)
        order = self.board.state.order
        assert order is not None
        per_metre = fmean(resistance_ohm_per_m(parse_size(size)) for size in order.joint.wires)
        wire_ohm = per_metre * self.settings.fixture.span_m
        self.bay.peak_n, self.bay.ohm = peak_n, wire_ohm + splice_ohm
        if looked:
            self.see_it_is_good()
        if self.limit_sets.choice.only == "pull":
            self.until(Stage.GRIP)
        else:
            self.grip()
        self.pull()
        self.name_failure(mode)
        self.until(Stage.DONE)
