"""One sample from clip-on to verdict: the bench. Its threads live here.

The bench knows ports and profiles, never whether an instrument is simulated; it asks an
:class:`Operator` for what a person does, shows every step on its board, and writes a sample's entry
before it says that the sample is done.
"""

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

from calibration.saying import say
from calibration.standing import InstrumentKind
from station.bench.between import WireAtHand
from station.bench.board import WHAT_TO_DO, Board, Stage
from station.bench.described import (
    begun_sample,
    condemned_by,
    connector_of,
    demand_describable,
    demand_on_checklist,
)
from station.bench.measuring import Measuring
from station.bench.operator import Operator, PageOperator, SampleAbandoned
from station.bench.panel import BenchPanel
from station.bench.sample_entry import Results, finished_sample, judge, limits_of
from station.bench.sizes import CrimpSizes
from station.bench.unsaved import UnsavedSample
from station.crimp.connectors import ConnectorBook
from station.crimp.limits import Limit, LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.errors import BadInput, InstrumentError, SampleUnsaved, StationError
from station.instruments.bay import InstrumentBay, InstrumentLine
from station.instruments.panel.base import BasePanel, NoPanel
from station.instruments.panel.contacts import PanelEvent
from station.instruments.standard_reading import read_pull, read_standard
from station.jobs.open_jobs import OpenJobs
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Payload, PullBegun, SampleBegun, SampleFinished
from station.ledger.entry import Entry
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.lots import lots_of
from station.shop.trust import Trust, attention


@dataclass(frozen=True, slots=True)
class SampleOutcome:
    """How a sample ended: what was logged, and what went wrong with an instrument if so."""

    sample_id: str
    finished: SampleFinished
    error: InstrumentError | None = None


class Bench:
    """The bench: its instruments, its ledger, and at most one sample at a time.

    Parameters
    ----------
    ledger
        Open for writing.
    bay
        The instruments on their ports.
    """

    def __init__(
        self,
        *,
        settings: Settings,
        ledger: Ledger,
        bay: InstrumentBay,
        limit_sets: LimitSets,
        connectors: ConnectorBook,
        panel: BasePanel | None = None,
        demo: bool = False,
    ) -> None:
        self.settings = settings
        self.limit_sets = limit_sets
        self.connectors = connectors
        self.board = Board()
        self.sizes = CrimpSizes(settings, connectors, self.board)
        self.trust = Trust(ledger.reader, settings)
        self.jobs = OpenJobs(ledger, settings, demo=demo)
        self.wire = WireAtHand(settings, ledger, connectors, bay, self.trust, self._alone)
        self.panel = BenchPanel(panel or NoPanel(say("This bench has no panel.")), self.board)
        self.unsaved = UnsavedSample(ledger, self.board, settle=self._settle)
        self.ledger = ledger
        self._bay = bay
        self._demo = demo
        self._busy = threading.Lock()
        self._thread: threading.Thread | None = None
        self._operator: PageOperator | None = None
        self._measuring: Measuring | None = None
        self._stop = threading.Event()
        self._show_attention()

    @property
    def simulated(self) -> bool:
        """True where any instrument or the panel is simulated."""
        return self._bay.simulated or self.panel.simulated

    @property
    def busy(self) -> bool:
        """True while a sample is under way."""
        return self._busy.locked()

    def keep_connected(self) -> None:
        """Connect the instruments now and after each loss, and show on the board how they do."""
        self._bay.keep_connected(self._show_instruments)

    def take_event(self, event: PanelEvent) -> None:
        """Act on what happened at the panel: the footswitch confirms, an open guard voids."""
        self.panel.take(event, self.confirm, self._stop.set)

    def instruments(self) -> list[InstrumentLine]:
        """One line per instrument: what it is, where, and what is wrong with it."""
        return self._bay.lines()

    def take_sample(self, order: SampleOrder, operator: Operator) -> SampleOutcome:
        """Take one sample, from its description to its entry in the ledger.

        Raises
        ------
        BadInput, NoLimit, UnknownSize, DataFileError
            The description cannot be used; nothing was logged.
        CalibrationNeeded, NestOnHold
            An instrument may not judge now, or the nest is held; nothing was logged.
        SampleUnsaved
            The sample before, or this one, could not be written: it is kept in memory.
        SampleAbandoned
            It was given up before anything was measured; nothing was logged.
        LedgerError
            The record could not be written; the sample was not taken up.
        """
        with self._alone():
            order, limits = self._checked(order)
            return self._take(order, limits, operator)

    def void_unfinished(self, sample_id: str, person: str, reason: str) -> SampleFinished:
        """Void a sample that was begun and never finished.

        Raises
        ------
        BadInput
            There is no such sample, or it is finished.
        SampleUnsaved
            It is finished, and waits in memory to be written.
        """
        self.unsaved.demand_saved(sample_id)
        waiting = any(row.sample_id == sample_id for row in self.ledger.reader.unfinished())
        entry = self.ledger.reader.entry(sample_id)
        if not waiting or entry is None or not isinstance(entry.payload, SampleBegun):
            raise BadInput("Sample {sample_id} is not waiting to be finished.", sample_id=sample_id)
        begun = entry.payload
        finished = finished_sample(
            sample_id, begun, Results(void_reason=reason, void_by="person"), (),
            guard=self.settings.guard, only=self.limit_sets.choice.only,
        )  # fmt: skip
        self.ledger.append(finished, person=person)
        self._settle(begun.job_id, person)
        return finished

    def _settle(self, job_id: str | None, person: str) -> str | None:
        """Let a job take note of its sample; return what went wrong, which loses no sample."""
        try:
            if job_id is not None:
                self.jobs.settle(job_id, person)
        except StationError as error:
            return str(error)
        return None

    def enter(self, payload: Payload, person: str) -> Entry:
        """Write what a person did beside the samples: a calibration, a check, a study's reading."""
        demo = payload.demo or self._demo or self.ledger.reader.is_demo()
        entry = self.ledger.append(payload.model_copy(update={"demo": demo}), person=person)
        self._show_attention()
        return entry

    def read_standard(self, role: InstrumentKind, expected: float) -> tuple[str, list[float]]:
        """Read an instrument that looks at a known standard; its name, and readings in SI units.

        Raises
        ------
        BadInput
            A sample is under way, or the bench has no such instrument.
        InstrumentError
            It does not answer, or what it measures does not stand still.
        """
        with self._alone():
            return read_standard(self._bay, role, expected)

    def read_pull(
        self, on_force: Callable[[float], None] = lambda _force_n: None
    ) -> tuple[str, float]:
        """Record one pull that is no sample, for a gauge study; the tester's name, its peak in N.

        Raises
        ------
        BadInput
            A sample is under way, the guard is open, or the bench has no tester.
        InstrumentError
            The tester does not answer, or the pull does not count.
        """
        with self._alone():
            self.panel.demand_closed_guard()
            self._stop = threading.Event()
            return read_pull(self._bay, self.panel.void_reason, self._stop, on_force)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        self._claim()
        try:
            yield
        finally:
            self._busy.release()

    def _claim(self) -> None:
        if not self._busy.acquire(blocking=False):
            raise BadInput("A sample is under way on this bench: finish it or give it up first.")

    # ---- the page's way: one thread per sample -------------------------------------------------

    def start(self, order: SampleOrder) -> None:
        """Take a sample in a thread of its own, with the page as operator.

        Raises
        ------
        BadInput, NoLimit, UnknownSize, DataFileError
            A sample is under way, or the description cannot be used.
        CalibrationNeeded, NestOnHold
            An instrument may not judge now, or the nest is held.
        SampleUnsaved
            The sample before could not be written: it is kept in memory.
        """
        if self._thread is not None and self.board.state.stage in (Stage.IDLE, Stage.DONE):
            # The board shows the end a moment before the thread has put its tools away.
            self._thread.join(timeout=2.0)
        self._claim()
        try:
            order, limits = self._checked(order)
            self._operator = operator = PageOperator()
            self._thread = threading.Thread(
                target=self._take_quietly,
                args=(order, limits, operator),
                name="bench sample",
                daemon=True,
            )
            self._thread.start()
        except BaseException:
            self._busy.release()
            raise

    def confirm(self) -> None:
        """The person says: clips are on, or the sample is gripped.

        Raises
        ------
        BadInput
            The bench is not waiting for it, or the guard is open when the sample is gripped.
        """
        operator, stage = self._asked(Stage.CLIP_ON, Stage.GRIP), self.board.state.stage
        if stage is Stage.GRIP:
            self.panel.demand_closed_guard()
        operator.answer(stage)

    def look(self, answers: Mapping[str, bool]) -> None:
        """The person says what is seen on the joint in hand, until its pull begins.

        Raises
        ------
        BadInput
            No joint waits to be pulled, a lead has looked at it already, or no such look is asked.
        """
        self._asked(Stage.CLIP_ON, Stage.READING, Stage.GRIP)
        order = self.board.state.order
        if order is None or order.coded:
            raise BadInput("A coded sample was looked at before it was measured.")
        order = replace(order, checklist={**order.checklist, **answers})
        demand_on_checklist(self.connectors, order)
        self.board.show(order=order, condemned_by=condemned_by(self.connectors, order))

    def name_failure(self, mode: str) -> None:
        """The person says how the sample let go (BadInput if not asked, or no such mode)."""
        if mode not in FAILURE_MODES:
            raise BadInput(
                "{mode!r} is no failure mode: use one of {failure_modes}.",
                mode=mode,
                failure_modes=", ".join(FAILURE_MODES),
            )
        self._asked(Stage.NAME_FAILURE).answer(Stage.NAME_FAILURE, mode)

    def stop_pull(self) -> None:
        """The person stops a pull to the end: the sample bears at least this (BadInput if none)."""
        operator, hold_n = self._asked(Stage.PULLING), self.board.state.hold_n
        if hold_n is None and self._measuring is not None:
            self._measuring.enough = True
            operator.stop.set()

    def pull_next(self) -> None:
        """The person wants the joint's next wire pulled as well (BadInput if there is none)."""
        self._asked(Stage.GRIP, Stage.PULLING, Stage.NAME_FAILURE)
        if self.board.state.next_wire is None:
            raise BadInput("This joint has no other wire that can be pulled and judged.")
        self.board.show(pull_next=True)

    def abandon(self, reason: str) -> None:
        """Give the sample under way up (BadInput if there is none).

        It is logged as void; where nothing was measured yet, nothing is logged.
        """
        self._asked(Stage.CLIP_ON, Stage.READING, Stage.GRIP, Stage.PULLING, Stage.NAME_FAILURE)
        if self._operator is not None:
            self._operator.abandon(reason)

    def close(self) -> None:
        """Give up what is under way and release the instruments."""
        if self._operator is not None:
            self._operator.abandon(say("the station was stopped"))
        if self._thread is not None:
            self._thread.join(timeout=10.0)
        if self.sizes.caliper is not None:
            self.sizes.caliper.close()
        self.unsaved.close()
        self._bay.close()

    def _show_instruments(self) -> None:
        troubles = tuple(line.trouble for line in self._bay.lines() if line.trouble)
        if troubles != self.board.state.instrument_troubles:
            self.board.show(instrument_troubles=troubles)

    def _show_attention(self) -> None:
        needed = attention(self.trust.all(with_samples=False)) is not None
        if needed != self.board.state.attention:
            self.board.show(attention=needed)

    def _asked(self, *stages: Stage) -> PageOperator:
        stage = self.board.state.stage
        if self._operator is None or stage not in stages:
            raise BadInput(
                "The bench is not waiting for that now. {what_to_do}",
                what_to_do=say(WHAT_TO_DO[stage]),
            )
        return self._operator

    def _take_quietly(
        self, order: SampleOrder, limits: list[Limit], operator: PageOperator
    ) -> None:
        try:
            self._take(order, limits, operator)
        except (SampleUnsaved, SampleAbandoned):
            pass  # the board says so
        except StationError as error:
            self.board.show(stage=Stage.IDLE, trouble=str(error))
        except Exception as error:
            # No thread dies quietly: what nobody foresaw is shown where the person looks.
            self.board.show(
                stage=Stage.IDLE, trouble=say("The station made a mistake: {error!r}.", error=error)
            )
            raise
        finally:
            self._busy.release()

    # ---- a sample's way ------------------------------------------------------------------------

    def _checked(self, order: SampleOrder) -> tuple[SampleOrder, list[Limit]]:
        """The order as its job wants it, and its limits; refused before anything is logged."""
        self.unsaved.demand_saved()
        order = self.jobs.order(order)
        reels = self.wire.reels_for(order.joint, order.reels)
        order = replace(order, reels=reels, lots=lots_of(self.ledger.reader, order.joint))
        for line in self._bay.lines():
            # An instrument not yet heard is asked in its turn.
            if line.identity is not None:
                self.trust.demand(line.role, line.known_as)
        demand_describable(self.connectors, order)
        return order, [*limits_of(order, self.limit_sets), *self.sizes.limits(order.joint)]

    def _take(self, order: SampleOrder, limits: list[Limit], operator: Operator) -> SampleOutcome:
        begun = begun_sample(self.connectors, order, demo=self._demo)
        self.board.begin(order, condemned_by(self.connectors, order))
        self._stop = operator.stop

        def begins() -> str:
            if self.board.state.sample_id is None:
                self.board.show(sample_id=self.ledger.append(begun, person=order.person).id)
            return str(self.board.state.sample_id)

        def pull_begins() -> None:
            self.enter(PullBegun(sample_id=begins(), demo=self._demo), order.person)

        measuring = self._measuring = Measuring(
            self.settings, self._bay, self.board, self.panel, self.trust, begins, pull_begins,
            order, limits, self.wire.between(order), operator, self.limit_sets.choice.only,
        )  # fmt: skip
        error: InstrumentError | None = None
        try:
            measuring.run()
        except InstrumentError as lost:
            error = lost
        results, guard = measuring.results, self.settings.guard
        # Looked at meanwhile, with the joint in hand.
        order = self.board.state.order or order
        if results.void_by == "person" and self.board.state.may_step_back:
            self.board.show(stage=Stage.IDLE)
            raise SampleAbandoned(say("Nothing was measured, and nothing is on record."))
        results.sizes, sample_id = tuple(order.sizes.values()), begins()
        finished = finished_sample(
            sample_id, begun, results, judge(limits, results, guard),
            guard=guard, checklist=order.checklist, only=self.limit_sets.choice.only,
            looked=self.connectors.looked(connector_of(self.connectors, order), order.checklist),
            condemned_by=condemned_by(self.connectors, order),
        )  # fmt: skip
        self.board.show(why_void=results.void_reason if finished.void_reason else None)
        self.unsaved.save(finished, order.person, measuring.traces)
        trouble = self._settle(order.job_id, order.person)
        trouble = (trouble if error is None else str(error)) or measuring.trouble
        self.board.show(stage=Stage.DONE, outcome=finished, trouble=trouble)
        self._show_attention()
        return SampleOutcome(sample_id, finished, error)
