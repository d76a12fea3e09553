"""The measurements of one sample, one after the other: resistance first, then the pull."""

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

from calibration.saying import say
from calibration.worth import ForceWorth, corrects
from station.bench.between import BetweenClips
from station.bench.board import Board, Stage
from station.bench.operator import Operator, SampleAbandoned
from station.bench.panel import BenchPanel
from station.bench.sample_entry import (
    Results,
    bearing,
    instrument_used,
    pull_result,
    reading_that_shows,
    reduce_reading,
    resistance_result,
)
from station.bench.temperature import temperature_now
from station.crimp.in_force import Judged
from station.crimp.limits import FORCES, Limit
from station.crimp.pull.hold import ROOM, USUAL_HOLD_S, Hold, reduce_hold, still_borne_n
from station.crimp.resistance import wire_share_ohm
from station.crimp.wire import WireSize, parse_size, weakest_wire
from station.errors import CalibrationNeeded, InstrumentError
from station.instruments.bay import CAPACITY_REACHED, STOPPED, InstrumentBay
from station.instruments.pull_tester import ForceTrace
from station.instruments.recorded_peak import reduce_recorded
from station.instruments.standstill import StandstillWatch
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import PullResult
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
    begins: Callable[[], object]
    """Puts the sample on record, before anything is measured of it."""
    pull_begins: Callable[[], object]
    """Puts on record that a pull begins, before anybody can see its force."""
    order: SampleOrder
    limits: Sequence[Limit]
    between: BetweenClips
    operator: Operator
    only: Judged | None = None
    """What alone is measured, in a shop without the other instrument."""
    trouble: str | None = field(default=None, init=False)
    """What went wrong without making the sample void."""
    results: Results = field(default_factory=Results, init=False)
    traces: dict[str, bytes] = field(default_factory=dict, init=False)
    enough: bool = field(default=False, init=False)
    """Set by whoever stops a pull because the sample has borne enough."""
    _hold: Hold | None = field(default=None, init=False)
    _hold_s: float = field(default=0.0, init=False)
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
            if only != "resistance":
                reason = reason or self._measure_pulls()
            results.void_reason = reason
        except SampleAbandoned as given_up:
            results.void_by, results.void_reason = "person", str(given_up)
        except CalibrationNeeded as needed:
            results.void_reason = str(needed)
        except InstrumentError as lost:
            results.void_reason = str(lost)
            raise

    def _measure_resistance(self) -> str | None:
        joint = self.order.joint
        share = wire_share_ohm(self.between.spans(joint))
        meter = self.bay.meter(share + EXPECTED_SPLICE_OHM)
        used = instrument_used(self.bay.line("meter"))
        trust = self.trust.demand("meter", used.name)
        worth = replace(meter.worth, line=trust.line)
        self.operator.clips_on()
        self.begins()
        self.board.show(stage=Stage.READING)
        repeats = meter.read_repeats(self.settings.repeats, self._show_reading)
        if meter.same_as_before:
            self.board.show(standstill="same_reading")
        temperature = temperature_now(self.between.fixture, self.between.temperature)
        between = replace(self.between, temperature=temperature, meter=used.name)
        reduced = reduce_reading(repeats, worth, joint, between)
        self.trouble = temperature.trouble
        by_reference = reduced.share_from == "reference"
        used = trust.noted(used, corrected=corrects(worth, fmean(repeats)) and not by_reference)
        self.results.resistance = resistance_result(repeats, reduced, between, used, meter=meter)
        return reduced.void_reason

    def _measure_pulls(self) -> str | None:
        """Pull the wire that is asked for, then others for as long as the person wants it."""
        first, *others = self._wires_to_pull()
        void_reason = self._measure_pull(first, others)
        while void_reason is None and others and self.board.state.pull_next:
            void_reason = self._pull_further(others.pop(0), others)
        return void_reason

    def _wires_to_pull(self) -> list[int]:
        """Places of the wires: the one to pull first, then those that a limit knows."""
        sizes = [parse_size(wire).label for wire in self.order.joint.wires]
        first = self.order.pull_wire
        if first is None:
            first = sizes.index(weakest_wire(self.order.joint.wires).label)
        known = {limit.size for limit in self._forces}
        others = [at for at, size in enumerate(sizes) if at != first and size in known]
        return [first, *others]

    @property
    def _forces(self) -> list[Limit]:
        return [limit for limit in self.limits if limit.criterion in FORCES]

    def _pull_further(self, wire: int, others: Sequence[int]) -> str | None:
        """Pull one wire more; where that pull does not count, those before it still do."""
        self.operator.stop.clear()
        try:
            void_reason = self._measure_pull(wire, others)
        except (InstrumentError, CalibrationNeeded) as lost:
            void_reason = str(lost)
        if void_reason is None or self.results.void_by == "person":
            return void_reason
        self.trouble = void_reason
        if (pull := self.results.further_pulls[-1:]) and pull[0].wire == wire:
            self._keep(pull[0].model_copy(update={"void_reason": void_reason}))
        return None

    def _measure_pull(self, wire: int, others: Sequence[int]) -> str | None:
        tester = self.bay.tester()
        trust = self.trust.demand("tester", self.bay.line("tester").known_as)
        worth = replace(tester.worth, line=trust.line)
        self._hold, self._hold_s = self._hold_of(parse_size(self.order.joint.wires[wire]), worth)
        self._peak_n = self._shown_s = -math.inf
        self.enough = False
        self.board.show(
            stage=Stage.GRIP, wire=wire, next_wire=next(iter(others), None), pull_next=False,
            force_n=None, peak_n=None, suggested_mode=None, may_have_slipped=False,
            hold_n=None if self._hold is None else ROOM * self._hold.reading_n,
            hold_left_s=self._hold_left_s(0.0),
        )  # fmt: skip
        self.operator.sample_gripped()
        self.pull_begins()
        began_s = time.monotonic()
        self.board.trace.begin()
        self.board.show(stage=Stage.PULLING, standstill=None)
        pulls = (limit.value_si for limit in self._forces)
        preload_n = min(5.0, max(1.0, PRELOAD_FRACTION * next(pulls, 0.0)))
        self._watch = StandstillWatch(preload_n)
        trace = tester.record(self._show_force, self.operator.stop, preload_n)
        self.board.show(standstill=None)
        if trace.force_n.size:
            self.board.show(force_n=float(trace.force_n[-1]), peak_n=self._peak_n)
        by_panel = self.panel.void_reason(began_s)
        borne_n = self._borne_n(trace, worth)
        void_reason = by_panel or (trace.void_reason if borne_n is None else None)
        if void_reason is not None:
            if by_panel is None and self.operator.stop.is_set():
                self.results.void_by = "person"
            return void_reason
        return self._reduce_trace(trace, preload_n, wire, worth, trust, borne_n)

    def _hold_of(self, size: WireSize, worth: ForceWorth) -> tuple[Hold | None, float]:
        """What a proof pull of a wire has to show: its highest limit, for the longest time."""
        if not self.order.hold:
            return None, 0.0
        forces = [limit for limit in self._forces if limit.size == size.label]
        highest_n = max(limit.value_si for limit in forces)
        hold = Hold(reading_that_shows(highest_n, worth, self.settings.guard))
        return hold, max(limit.hold_s or 0.0 for limit in forces) or USUAL_HOLD_S

    def _hold_left_s(self, held_s: float) -> float | None:
        """For how long the force is still to be held; None where it is not."""
        if self._hold is None:
            return None
        # The tester's clock may differ from ours by a hundredth, and lines come in batches.
        needed_s = 1.01 * self._hold_s + 0.5
        return 0.0 if self._hold.held_s >= needed_s else needed_s - held_s

    def _borne_n(self, trace: ForceTrace, worth: ForceWorth) -> float | None:
        """What the sample bore when its pull was stopped with the force up; None where not so."""
        asked = self.enough or trace.overload
        if self._hold or not asked or trace.void_reason not in (CAPACITY_REACHED, STOPPED):
            return None
        borne_n = still_borne_n(trace.time_s, trace.force_n)
        # A lone line far above the others is no force, and no capacity that was reached.
        least_n = 0.0 if self.enough else 0.8 * (worth.capacity_n or 0.0)
        return None if borne_n is None or borne_n < least_n else borne_n

    def _reduce_trace(
        self,
        trace: ForceTrace,
        preload_n: float,
        wire: int,
        worth: ForceWorth,
        trust: InstrumentTrust,
        borne_n: float | None,
    ) -> str | None:
        size = parse_size(self.order.joint.wires[wire])
        reduced, found = reduce_recorded(trace, worth, preload_n, size)
        # A trace that looks like a slip is shown to the operator, who may have seen otherwise.
        slipped = reduced.suggested_mode == GRIP_SLIP
        void_reason = found.void_reason if slipped else reduced.void_reason or found.void_reason
        used = instrument_used(self.bay.line("tester"))
        used = trust.noted(used, corrected=corrects(worth, reduced.peak_n))
        data = encode_trace(trace.time_s, trace.force_n)
        key = trace_key(data)
        self.traces[key] = data
        pull = pull_result(
            reduced,
            worth,
            None,
            key,
            used,
            trace=trace,
            peak_from="register" if found.from_register else "trace",
            guard=self.panel.guard_word,
            fixture=self.settings.fixture,
        )
        named = {"wire": wire, "size": size.label}
        pull = self._bearing(pull.model_copy(update=named), trace, worth, borne_n)
        asks = void_reason is None
        if pull.end != "destructive":
            asks, void_reason = slipped and (pull.held_s or 0.0) < self._hold_s, None
        # Kept before the person answers: giving up now does not undo what was pulled.
        self._keep(pull)
        mode = None
        if asks:
            self.board.show(
                stage=Stage.NAME_FAILURE,
                suggested_mode=reduced.suggested_mode,
                may_have_slipped=reduced.may_have_slipped,
            )
            mode = self.operator.failure_mode(reduced.suggested_mode)
        self._keep(pull.model_copy(update={"failure_mode": mode}))
        if mode == GRIP_SLIP:
            self.results.void_by = "instrument" if slipped else "person"
            return say("the sample slipped in the grips: crimp a new one and grip it again")
        return void_reason

    def _bearing(
        self, pull: PullResult, trace: ForceTrace, worth: ForceWorth, borne_n: float | None
    ) -> PullResult:
        """A pull, and what it shows that the sample bears where it was not made to the end."""
        if self._hold is not None:
            held = reduce_hold(trace.time_s, trace.force_n, self._hold.reading_n)
            return bearing(pull, "hold", held.lowest_n, worth, held.held_s)
        return pull if borne_n is None else bearing(pull, "at_least", borne_n, worth)

    def _keep(self, pull: PullResult) -> None:
        """Put a pull, or the latest word on it, among the results."""
        results = self.results
        if results.pull is None or results.pull.wire == pull.wire:
            results.pull = pull
            return
        before = [one for one in results.further_pulls if one.wire != pull.wire]
        results.further_pulls = [*before, pull]

    def _show_reading(self, ohm: float) -> None:
        shown = self.board.state.resistance_readings_ohm
        self.board.show(resistance_readings_ohm=(*shown, ohm))

    def _show_force(self, at_s: float, force_n: float) -> None:
        self.board.trace.add(at_s, force_n)
        self._peak_n = max(self._peak_n, force_n)
        standstill = self._watch.add(at_s, force_n)
        held_s = 0.0 if self._hold is None else self._hold.add(at_s, force_n)
        if at_s >= self._shown_s + SHOW_EVERY_S:
            self._shown_s = at_s
            self.board.show(
                force_n=force_n, peak_n=self._peak_n, standstill=standstill,
                hold_left_s=self._hold_left_s(held_s),
            )  # fmt: skip
