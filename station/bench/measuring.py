"""The measurements of one sample, one after the other: resistance first, then the pull."""

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

from calibration.saying import say
from calibration.worth import corrects
from station.bench.board import Board, Stage
from station.bench.operator import Operator, SampleAbandoned
from station.bench.panel import BenchPanel
from station.bench.sample_entry import (
    Results,
    instrument_used,
    pull_result,
    reduce_reading,
    resistance_result,
)
from station.crimp.in_force import Judged
from station.crimp.limits import Limit
from station.crimp.pull.peak import with_register
from station.crimp.pull.reduce import reduce_trace
from station.crimp.wire import material_named, resistance_ohm_per_m, weakest_wire
from station.errors import CalibrationNeeded, InstrumentError
from station.instruments.bay import BayTester, InstrumentBay
from station.instruments.pull_tester import ForceTrace
from station.instruments.standstill import StandstillWatch
from station.jobs.sample_order import SampleOrder
from station.ledger.traces import encode_trace, trace_key
from station.settings import Settings
from station.shop.trust import InstrumentTrust, Trust

EXPECTED_SPLICE_OHM = 2e-3
"""Room left for the splice itself when the meter's range is chosen."""

GRIP_SLIP = "grip_slip"

SHOW_EVERY_S = 0.03
"""Forces may come a thousand times a second; eyes and pages do with thirty."""

PRELOAD_FRACTION = 0.02
"""Slack ends at this share of the limit, within 1 to 5 N."""


@dataclass
class Measuring:
    """The measurements of one sample; keeps what it has, so that a void sample keeps it too."""

    settings: Settings
    bay: InstrumentBay
    board: Board
    panel: BenchPanel
    trust: Trust
    pull_begins: Callable[[], object]
    """Puts on record that a pull begins, before anybody can see its force."""
    order: SampleOrder
    limits: Sequence[Limit]
    operator: Operator
    only: Judged | None = None
    """What alone is measured, in a shop without the other instrument."""
    results: Results = field(default_factory=Results, init=False)
    traces: dict[str, bytes] = field(default_factory=dict, init=False)
    _peak_n: float = field(default=-math.inf, init=False)
    _shown_s: float = field(default=-math.inf, init=False)
    _watch: StandstillWatch = field(default_factory=lambda: StandstillWatch(0.0), init=False)

    def run(self) -> None:
        """Measure; a void sample's results say why.

        Raises
        ------
        InstrumentError
            The sample is void; what was measured before is kept.
        """
        results = self.results
        try:
            only = self.only
            reason = None if only == "pull" else self._measure_resistance()
            results.void_reason = reason or (None if only == "resistance" else self._measure_pull())
        except SampleAbandoned as given_up:
            results.void_by, results.void_reason = "person", str(given_up)
        except CalibrationNeeded as needed:
            results.void_reason = str(needed)
        except InstrumentError as lost:
            results.void_reason = str(lost)
            raise

    def _measure_resistance(self) -> str | None:
        fixture = self.settings.fixture
        thinnest = weakest_wire(self.order.joint.wires)
        material = material_named(self.order.joint.material)
        expected = resistance_ohm_per_m(thinnest, material) * fixture.span_m + EXPECTED_SPLICE_OHM
        meter = self.bay.meter(expected)
        used = instrument_used(self.bay.line("meter"))
        trust = self.trust.demand("meter", used.name)
        worth = replace(meter.worth, line=trust.line)
        self.operator.clips_on()
        self.board.show(stage=Stage.READING)
        repeats = meter.read_repeats(self.settings.repeats, self._show_reading)
        if meter.same_as_before:
            self.board.show(standstill="same_reading")
        reduced = reduce_reading(repeats, worth, self.order, fixture)
        used = trust.noted(used, corrected=corrects(worth, fmean(repeats)))
        last = meter.last_reading
        self.results.resistance = resistance_result(
            repeats,
            reduced,
            (fixture.span_m,),
            used,
            thermal_cancelled=None if last is None else last.thermal_cancelled,
        )
        return reduced.void_reason

    def _measure_pull(self) -> str | None:
        tester = self.bay.tester()
        trust = self.trust.demand("tester", self.bay.line("tester").known_as)
        self.board.show(stage=Stage.GRIP)
        self.operator.sample_gripped()
        self.pull_begins()
        began_s = time.monotonic()
        self.board.trace.begin()
        self.board.show(stage=Stage.PULLING, standstill=None)
        pulls = (item.value_si for item in self.limits if item.criterion == "pull_force_min")
        preload_n = min(5.0, max(1.0, PRELOAD_FRACTION * next(pulls, 0.0)))
        self._watch = StandstillWatch(preload_n)
        trace = tester.record(self._show_force, self.operator.stop, preload_n)
        self.board.show(standstill=None)
        if trace.force_n.size:
            self.board.show(force_n=float(trace.force_n[-1]), peak_n=self._peak_n)
        by_panel = self.panel.void_reason(began_s)
        void_reason = by_panel or trace.void_reason
        if void_reason is not None:
            if by_panel is None and self.operator.stop.is_set():
                self.results.void_by = "person"
            return void_reason
        return self._reduce_trace(trace, preload_n, tester, trust)

    def _reduce_trace(
        self, trace: ForceTrace, preload_n: float, tester: BayTester, trust: InstrumentTrust
    ) -> str | None:
        reduced = reduce_trace(
            trace.time_s,
            trace.force_n,
            filter_hz=tester.worth.filter_hz,
            preload_n=preload_n,
            wire=weakest_wire(self.order.joint.wires),
            capacity_n=tester.worth.capacity_n,
            resolution_n=tester.worth.resolution_n,
        )
        found = with_register(
            reduced.peak_n,
            reduced.peak_may_be_low_by_n,
            trace.register_peak_n,
            max(2.0 * tester.worth.resolution_n, 6.0 * reduced.noise_n),
        )
        # A trace that looks like a slip is shown to the operator, who may have seen otherwise.
        slipped = reduced.suggested_mode == GRIP_SLIP
        void_reason = found.void_reason if slipped else reduced.void_reason or found.void_reason
        reduced = replace(reduced, peak_n=found.peak_n, peak_may_be_low_by_n=found.may_be_low_by_n)
        worth = replace(tester.worth, line=trust.line)
        used = instrument_used(self.bay.line("tester"))
        used = trust.noted(used, corrected=corrects(worth, reduced.peak_n))
        data = encode_trace(trace.time_s, trace.force_n)
        key = trace_key(data)
        self.traces[key] = data
        # Kept before the person answers: giving up now does not undo what was pulled.
        pull = self.results.pull = pull_result(
            reduced,
            worth,
            None,
            key,
            used,
            trace=trace,
            peak_from="register" if found.from_register else "trace",
            guard=self.panel.guard_word,
        )
        mode = None
        if void_reason is None:
            self.board.show(stage=Stage.NAME_FAILURE, suggested_mode=reduced.suggested_mode)
            mode = self.operator.failure_mode(reduced.suggested_mode)
        self.results.pull = pull.model_copy(update={"failure_mode": mode})
        if mode == GRIP_SLIP:
            self.results.void_by = "instrument" if slipped else "person"
            return say("the sample slipped in the grips: crimp a new one and grip it again")
        return void_reason

    def _show_reading(self, ohm: float) -> None:
        shown = self.board.state.resistance_readings_ohm
        self.board.show(resistance_readings_ohm=(*shown, ohm))

    def _show_force(self, at_s: float, force_n: float) -> None:
        self.board.trace.add(at_s, force_n)
        self._peak_n = max(self._peak_n, force_n)
        standstill = self._watch.add(at_s, force_n)
        if at_s >= self._shown_s + SHOW_EVERY_S:
            self._shown_s = at_s
            self.board.show(force_n=force_n, peak_n=self._peak_n, standstill=standstill)
