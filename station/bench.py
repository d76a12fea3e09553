"""One sample from clip-on to verdict: the bench. Its threads live here.

The bench knows ports and profiles, never whether an instrument is simulated; it asks an
:class:`Operator` for what a person does, shows every step on its board, and writes a sample's entry
before it says that the sample is done.
"""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Protocol

from station.bay import InstrumentBay, InstrumentLine
from station.bench_state import Board, SampleOrder, Stage
from station.connectors import ConnectorBook, connector_named
from station.errors import BadInput, CalibrationNeeded, InstrumentError, StationError
from station.ledger.entries import PullResult, ResistanceResult, SampleBegun, SampleFinished
from station.ledger.store import Ledger
from station.ledger.traces import encode_trace, trace_key
from station.limits import Limit, LimitSets
from station.pull import FAILURE_MODES, PullReduction, reduce_trace
from station.sample_record import (
    corrects,
    finished_sample,
    pull_result,
    reduce_reading,
    resistance_result,
)
from station.settings import Settings
from station.trust import TrustBook
from station.wire import WireSize, material_named, parse_size, resistance_ohm_per_m

EXPECTED_SPLICE_OHM = 2e-3
"""Room left for the splice itself when the meter's range is chosen."""

GRIP_SLIP = "grip_slip"

PRELOAD_FRACTION = 0.02
"""Slack ends at this share of the limit, within 1 to 5 N."""


class SampleAbandoned(StationError):
    """The operator gave a sample up; it is logged as void with the reason."""


class Operator(Protocol):
    """What a person does between the measurements. Every method waits until it is done.

    Attributes
    ----------
    stop
        Set by whoever gives the sample up; it ends a recording under way.
    """

    stop: threading.Event

    def clips_on(self) -> None:
        """Clip the four leads on."""

    def sample_gripped(self) -> None:
        """Grip the sample, close the guard, and let the recording begin."""

    def failure_mode(self, suggested: str | None) -> str:
        """Say how the sample let go; a key of :data:`station.pull.FAILURE_MODES`."""


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
        demo: bool = False,
    ) -> None:
        self.settings = settings
        self.limit_sets = limit_sets
        self.connectors = connectors
        self.board = Board()
        self.trust = TrustBook(ledger.reader, settings)
        self._ledger = ledger
        self._bay = bay
        self._demo = demo
        self._busy = threading.Lock()
        self._thread: threading.Thread | None = None
        self._operator: PageOperator | None = None

    @property
    def simulated(self) -> bool:
        """True where any instrument is simulated."""
        return self._bay.simulated

    @property
    def busy(self) -> bool:
        """True while a sample is under way."""
        return self._busy.locked()

    def instruments(self) -> list[InstrumentLine]:
        """One line per instrument: what it is, where, and what is wrong with it."""
        return self._bay.lines()

    def take_sample(self, order: SampleOrder, operator: Operator) -> SampleOutcome:
        """Take one sample, from its description to its entry in the ledger.

        Raises
        ------
        BadInput, NoLimit, UnknownSize, DataFileError
            The description cannot be used; nothing was logged.
        CalibrationNeeded
            The settings do not let an instrument judge now; nothing was logged.
        LedgerError
            The record could not be written; the sample in hand is not done.
        """
        if not self._busy.acquire(blocking=False):
            raise BadInput("A sample is under way on this bench: finish it or give it up first.")
        try:
            self._demand_trust()
            return self._take(order, self._limits_for(order), operator)
        finally:
            self._busy.release()

    def void_unfinished(self, sample_id: str, person: str, reason: str) -> SampleFinished:
        """Void a sample that was begun and never finished.

        Raises
        ------
        BadInput
            There is no such sample, or it is finished.
        """
        row = next(
            (row for row in self._ledger.reader.unfinished() if row.sample_id == sample_id), None
        )
        entry = self._ledger.entry(sample_id)
        if row is None or entry is None or not isinstance(entry.payload, SampleBegun):
            raise BadInput(f"Sample {sample_id} is not waiting to be finished.")
        begun = entry.payload
        order = SampleOrder(person, begun.job, begun.joint, begun.limit_set)
        standing = self._standing(begun.limit_set)
        finished = finished_sample(
            sample_id, order, (), standing=standing, guard=self.settings.guard,
            resistance=None, pull=None, void_reason=reason, demo=begun.demo,
        )  # fmt: skip
        self._ledger.append(finished, person=person)
        return finished

    # ---- the page's way: one thread per sample -------------------------------------------------

    def start(self, order: SampleOrder) -> None:
        """Take a sample in a thread of its own, with the page as operator.

        Raises
        ------
        BadInput, NoLimit, UnknownSize, DataFileError
            A sample is under way, or the description cannot be used.
        CalibrationNeeded
            The settings do not let an instrument judge now.
        """
        self._limits_for(order)
        self._demand_trust()
        if self._busy.locked():
            raise BadInput("A sample is under way on this bench: finish it or give it up first.")
        operator = PageOperator()
        self._operator = operator
        self._thread = threading.Thread(
            target=self._take_quietly, args=(order, operator), name="bench sample", daemon=True
        )
        self._thread.start()

    def confirm(self) -> None:
        """The person says: clips are on, or the sample is gripped (BadInput if not asked)."""
        self._asked(Stage.CLIP_ON, Stage.GRIP).answer(self.board.state.stage)

    def name_failure(self, mode: str) -> None:
        """The person says how the sample let go (BadInput if not asked, or no such mode)."""
        if mode not in FAILURE_MODES:
            raise BadInput(f"{mode!r} is no failure mode: use one of {', '.join(FAILURE_MODES)}.")
        self._asked(Stage.NAME_FAILURE).answer(Stage.NAME_FAILURE, mode)

    def abandon(self, reason: str) -> None:
        """Give the sample under way up; it is logged as void (BadInput if there is none)."""
        self._asked(Stage.CLIP_ON, Stage.READING, Stage.GRIP, Stage.PULLING, Stage.NAME_FAILURE)
        if self._operator is not None:
            self._operator.abandon(reason)

    def close(self) -> None:
        """Give up what is under way and release the instruments."""
        if self._operator is not None:
            self._operator.abandon("the station was stopped")
        if self._thread is not None:
            self._thread.join(timeout=10.0)
        self._bay.close()

    def _asked(self, *stages: Stage) -> "PageOperator":
        stage = self.board.state.stage
        if self._operator is None or stage not in stages:
            raise BadInput(f"The bench is not waiting for that: it is at {stage.value}.")
        return self._operator

    def _take_quietly(self, order: SampleOrder, operator: "PageOperator") -> None:
        try:
            self.take_sample(order, operator)
        except StationError as error:
            self.board.show(stage=Stage.IDLE, trouble=str(error))
        except Exception as error:
            # No thread dies quietly: what nobody foresaw is shown where the person looks.
            self.board.show(stage=Stage.IDLE, trouble=f"The station made a mistake: {error!r}.")
            raise

    # ---- a sample's way ------------------------------------------------------------------------

    def _limits_for(self, order: SampleOrder) -> list[Limit]:
        if not order.person.strip():
            raise BadInput("Say who makes the sample.")
        if not order.joint.wires:
            raise BadInput("A sample has at least one wire.")
        warning = self._barrel_warning(order)
        if warning is not None and not order.use_wrong_barrel:
            raise BadInput(f"{warning} A sample made all the same must say so; it is recorded.")
        self._check_answers(order)
        return self.limit_sets.for_size(weakest_wire(order.joint.wires), order.limit_set)

    def _demand_trust(self) -> None:
        """Refuse before anything is logged; an instrument not yet heard is asked in its turn."""
        for line in self._bay.lines():
            if line.identity is not None:
                self.trust.demand(line.role, self._bay.used(line.role).name)

    def _barrel_warning(self, order: SampleOrder) -> str | None:
        connector = connector_named(self.connectors.connectors, order.joint.connector)
        return self.connectors.fit(connector, [parse_size(w) for w in order.joint.wires]).warning

    def _check_answers(self, order: SampleOrder) -> None:
        connector = connector_named(self.connectors.connectors, order.joint.connector)
        known = {item.id for item in self.connectors.checklist(connector)}
        for name in order.checklist:
            if name not in known:
                raise BadInput(f"{name!r} is not on the checklist of {connector.title}.")

    def _standing(self, limit_set: str) -> str:
        known = limit_set in self.limit_sets.ids
        return self.limit_sets[limit_set].standing if known else "set no longer at hand"

    def _take(self, order: SampleOrder, limits: list[Limit], operator: Operator) -> SampleOutcome:
        begun = SampleBegun(
            demo=self._demo,
            job=order.job,
            joint=order.joint,
            limit_set=order.limit_set,
            offered_again_for=order.offered_again_for,
            overridden_warning=self._barrel_warning(order),
        )
        sample_id = self._ledger.append(begun, person=order.person).id
        self.board.show(
            stage=Stage.CLIP_ON, order=order, sample_id=sample_id, resistance_readings_ohm=(),
            force_n=None, peak_n=None, suggested_mode=None, outcome=None, trouble=None,
        )  # fmt: skip
        course = _Course(self, order, operator)
        void_reason: str | None = None
        error: InstrumentError | None = None
        try:
            void_reason = course.run()
        except InstrumentError as lost:
            error, void_reason = lost, str(lost)
        except (SampleAbandoned, CalibrationNeeded) as given_up:
            void_reason = str(given_up)
        finished = finished_sample(
            sample_id,
            order,
            limits,
            standing=self._standing(order.limit_set),
            guard=self.settings.guard,
            resistance=course.resistance,
            pull=course.pull,
            void_reason=void_reason,
            overridden_warning=begun.overridden_warning,
            demo=self._demo,
        )
        self._ledger.append(finished, person=order.person, traces=course.traces)
        trouble = None if error is None else str(error)
        self.board.show(stage=Stage.DONE, outcome=finished, trouble=trouble)
        return SampleOutcome(sample_id, finished, error)


def weakest_wire(wires: Sequence[str]) -> WireSize:
    """The thinnest wire of a joint: the one that is pulled and judged by its own size."""
    return min((parse_size(wire) for wire in wires), key=lambda wire: wire.area_m2)


class _Course:
    """The measurements of one sample; keeps what it has, so that a void sample keeps it too."""

    def __init__(self, bench: Bench, order: SampleOrder, operator: Operator) -> None:
        self._bench = bench
        self._bay = bench._bay
        self._board = bench.board
        self._order = order
        self._operator = operator
        self.resistance: ResistanceResult | None = None
        self.pull: PullResult | None = None
        self.traces: dict[str, bytes] = {}

    def run(self) -> str | None:
        """Measure; return why the sample is void, or None."""
        return self._measure_resistance() or self._measure_pull()

    def _measure_resistance(self) -> str | None:
        fixture = self._bench.settings.fixture
        thinnest = weakest_wire(self._order.joint.wires)
        material = material_named(self._order.joint.material)
        expected = resistance_ohm_per_m(thinnest, material) * fixture.span_m + EXPECTED_SPLICE_OHM
        meter = self._bay.meter(expected)
        used = self._bay.used("meter")
        trust = self._bench.trust.demand("meter", used.name)
        worth = replace(meter.worth, line=trust.line)
        self._operator.clips_on()
        self._board.show(stage=Stage.READING)
        repeats = meter.read_repeats(self._bench.settings.repeats)
        self._board.show(resistance_readings_ohm=tuple(repeats))
        reduced = reduce_reading(repeats, worth, self._order, fixture)
        used = trust.noted(used, corrected=corrects(worth, fmean(repeats)))
        self.resistance = resistance_result(repeats, reduced, (fixture.span_m,), used)
        return reduced.void_reason

    def _measure_pull(self) -> str | None:
        tester = self._bay.tester()
        used = self._bay.used("tester")
        trust = self._bench.trust.demand("tester", used.name)
        worth = replace(tester.worth, line=trust.line)
        self._board.show(stage=Stage.GRIP)
        self._operator.sample_gripped()
        self._board.show(stage=Stage.PULLING)
        preload_n = min(5.0, max(1.0, PRELOAD_FRACTION * self._pull_limit_n()))
        trace = tester.record(self._show_force, self._operator.stop, preload_n)
        if trace.void_reason is not None:
            return trace.void_reason
        reduced = reduce_trace(
            trace.time_s,
            trace.force_n,
            filter_hz=tester.worth.filter_hz,
            preload_n=preload_n,
            wire=weakest_wire(self._order.joint.wires),
            capacity_n=tester.worth.capacity_n,
        )
        data = encode_trace(trace.time_s, trace.force_n)
        key = trace_key(data)
        self.traces[key] = data
        slipped = reduced.suggested_mode == GRIP_SLIP
        void_reason = None if slipped else reduced.void_reason
        mode = self._failure_mode(reduced) if void_reason is None else None
        used = trust.noted(used, corrected=corrects(worth, reduced.peak_n))
        self.pull = pull_result(reduced, worth, mode, key, used)
        if mode == GRIP_SLIP:
            return "the sample slipped in the grips: crimp a new one and grip it again"
        # The trace looked like a slip, but the operator saw otherwise: that is what counts.
        return void_reason

    def _pull_limit_n(self) -> float:
        for limit in self._bench._limits_for(self._order):
            if limit.criterion == "pull_force_min":
                return limit.value_si
        return 0.0

    def _failure_mode(self, reduced: PullReduction) -> str:
        self._board.show(stage=Stage.NAME_FAILURE, suggested_mode=reduced.suggested_mode)
        return self._operator.failure_mode(reduced.suggested_mode)

    def _show_force(self, force_n: float) -> None:
        peak = self._board.state.peak_n
        self._board.show(force_n=force_n, peak_n=force_n if peak is None else max(peak, force_n))


class PageOperator:
    """An operator who answers from another thread, with a way to give up at any time.

    An answer belongs to the stage it was given for: a second click is not taken for the next one.
    """

    def __init__(self) -> None:
        self.stop = threading.Event()
        self._changed = threading.Condition()
        self._answers: dict[Stage, str] = {}
        self._given_up: str | None = None

    def clips_on(self) -> None:
        """Wait for the person."""
        self._wait_for(Stage.CLIP_ON)

    def sample_gripped(self) -> None:
        """Wait for the person."""
        self._wait_for(Stage.GRIP)

    def failure_mode(self, suggested: str | None) -> str:  # noqa: ARG002
        """Wait for the person's choice."""
        return self._wait_for(Stage.NAME_FAILURE)

    def answer(self, stage: Stage, text: str = "") -> None:
        """Give the answer for a stage; a second one for the same stage changes nothing."""
        with self._changed:
            self._answers.setdefault(stage, text)
            self._changed.notify_all()

    def abandon(self, reason: str) -> None:
        """Give up, whatever is being waited for."""
        with self._changed:
            self._given_up = f"given up by the operator: {reason}"
            self._changed.notify_all()
        self.stop.set()

    def _wait_for(self, stage: Stage) -> str:
        with self._changed:
            self._changed.wait_for(lambda: stage in self._answers or self._given_up is not None)
            if self._given_up is not None:
                raise SampleAbandoned(self._given_up)
            return self._answers[stage]
