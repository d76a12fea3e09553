"""The four-wire milliohm meter: set up once, read back, then one question per reading."""

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from math import isfinite
from typing import Literal, NoReturn

from calibration.saying import say
from station.crimp.resistance import delta_ohm
from station.errors import (
    BadInput,
    InstrumentGarbled,
    InstrumentRefused,
    InstrumentSilent,
    NoReading,
)
from station.instruments.dialects import Reversal
from station.instruments.dialogue import Dialogue
from station.instruments.framing import Identity, parse_identity, parse_number
from station.instruments.meter_answers import OhmAnswers
from station.instruments.port import LinePort
from station.instruments.profiles import MeterProfile

_POWERED_ON = 128  # event status register, bit 7 (IEEE 488.2-1992, 11.5.1)
_SETTING_TOLERANCE = 0.01

ThermalCancelled = Literal["no", "offset compensation", "delta"]


@dataclass(frozen=True, slots=True)
class MeterReading:
    """A resistance in ohm and the monotonic time in s at which the answer arrived."""

    value_ohm: float
    at_s: float
    thermal_cancelled: ThermalCancelled = "no"


class Meter:
    """A milliohm meter on an open port.

    Parameters
    ----------
    reverse
        Turns the relay that reverses the test current: called with True for reversed. Needed for
        a profile whose reversal is ``by = "relay"``.
    """

    def __init__(
        self,
        port: LinePort,
        profile: MeterProfile,
        *,
        reverse: Callable[[bool], None] | None = None,
    ) -> None:
        self._port = port
        self._profile = profile
        self._reverse = reverse
        self._dialogue = Dialogue(port, profile)
        self._answers = OhmAnswers(profile)
        self._expected_ohm: float | None = None
        self._range_ohm: float | None = None

    def identify(self) -> Identity:
        """Ask the meter who it is."""
        self._dialogue.tell(*self._profile.dialect.wake)
        return self._dialogue.ask(self._profile.dialect.identify_query, parse_identity)[0]

    def configure(self, expected_ohm: float) -> float | None:
        """Clear the meter, set it up for resistances up to ``expected_ohm``, and read it back.

        Returns
        -------
        float or None
            The range in ohm that it says it is set to; None where the profile has no question.

        Raises
        ------
        BadInput
            ``expected_ohm`` is not a positive number.
        InstrumentRefused
            The meter reports an error or is not set as it was told.
        InstrumentSilent, InstrumentGarbled, PortLost
            It did not answer as its profile says.
        """
        if not (isfinite(expected_ohm) and expected_ohm > 0):
            raise BadInput(f"The expected resistance must be above 0 ohm, not {expected_ohm}.")
        self._require_relay()
        self._expected_ohm = None
        self._answers = OhmAnswers(self._profile)
        self._start_up()
        self._send_settings(expected_ohm)
        self._dialogue.wait_until_done()
        # The queue goes first: "undefined header" tells more than a setting that was not taken.
        self._dialogue.require_no_error()
        range_ohm = self._read_back(expected_ohm)
        self._dialogue.require_no_error()
        self._range_ohm, self._expected_ohm = range_ohm, expected_ohm
        return range_ohm

    def read_ohm(self) -> MeterReading:
        """Take one reading; with its test current turned round and back where the profile says so.

        Raises
        ------
        BadInput
            The meter was not configured.
        NoReading
            The answer means open lead, over range or crossed leads.
        InstrumentSilent, InstrumentGarbled, PortLost
            No answer, or none that can be read; or an old one.
        """
        if self._expected_ohm is None:
            raise BadInput(
                "The {name} was not configured; configure it first.", name=say(self._port.name)
            )
        reversal = self._profile.dialect.reversal
        reading = self._read_once() if reversal is None else self._read_delta(reversal)
        if reading.value_ohm < self._profile.measuring.lowest_ohm:
            raise NoReading(
                "The {name} reads {value_ohm:.3g} ohm, below zero; check that the sense "
                "clips are not crossed, and let the joint cool.",
                name=say(self._port.name),
                value_ohm=reading.value_ohm,
            )
        return reading

    def read_settled(
        self,
        repeats: int,
        tolerance_fraction: float,
        tolerance_ohm: float,
        max_reads: int,
        on_reading: Callable[[MeterReading], None] = lambda _reading: None,
    ) -> list[MeterReading]:
        """Read until the last ``repeats`` readings agree, and return those.

        The first reading after the clips go on is dropped, whatever it was. Readings agree when
        they lie within ``tolerance_fraction`` of their mean or within ``tolerance_ohm``, whichever
        is wider. A meter that was switched off and on since is configured again first.
        ``on_reading`` is called with each reading as it comes, for a live display.

        Raises
        ------
        BadInput
            ``repeats`` is below 2 or above ``max_reads``, or the meter was not configured.
        InstrumentGarbled
            ``max_reads`` readings, the dropped one not counted, never agreed.
        """
        if not 2 <= repeats <= max_reads:
            raise BadInput(f"Repeats must be from 2 to {max_reads}, not {repeats}.")
        self._restore_after_power_loss()
        with suppress(NoReading, InstrumentSilent, InstrumentGarbled):
            self.read_ohm()
        last: list[MeterReading] = []
        for _ in range(max_reads):
            last = [*last[-(repeats - 1) :], self.read_ohm()]
            on_reading(last[-1])
            spread_ohm, mean_ohm = _spread_and_mean(last)
            if len(last) == repeats and spread_ohm <= max(
                tolerance_fraction * abs(mean_ohm), tolerance_ohm
            ):
                return last
        raise InstrumentGarbled(
            "The {name} is unstable: its last {repeats} readings spread over "
            "{spread_ohm:.3g} ohm after {max_reads}; seat the clips, wait, and read again.",
            name=say(self._port.name),
            repeats=repeats,
            spread_ohm=spread_ohm,
            max_reads=max_reads,
        )

    def finish(self) -> None:
        """Give the keys back to the operator, where the profile says how."""
        self._dialogue.tell(*self._profile.dialect.finish)

    def _start_up(self) -> None:
        self._dialogue.start_over()
        self._dialogue.tell(*self._profile.dialect.wake, *self._profile.dialect.start_up)
        self.identify()
        self._dialogue.drain_errors()

    def _send_settings(self, expected_ohm: float) -> None:
        measuring = self._profile.measuring
        for template in self._profile.dialect.configure:
            self._dialogue.tell(
                template.format(
                    expected_ohm=expected_ohm,
                    nplc=measuring.nplc,
                    offset_compensation=_on_off(measuring.offset_compensation),
                )
            )

    def _read_back(self, expected_ohm: float) -> float | None:
        measuring = self._profile.measuring
        found = {
            item.setting: self._dialogue.ask(item.query, _parse_setting)[0]
            for item in self._profile.dialect.read_back
        }
        range_ohm = found.get("range_ohm")
        nplc = found.get("nplc", measuring.nplc)
        offset = bool(found.get("offset_compensation", measuring.offset_compensation))
        if range_ohm is not None and range_ohm < expected_ohm * (1 - _SETTING_TOLERANCE):
            self._refuse("range", f"{range_ohm:g} ohm", f"{expected_ohm:g} ohm or more")
        if abs(nplc / measuring.nplc - 1) > _SETTING_TOLERANCE:
            self._refuse(say("integration time"), f"{nplc:g} NPLC", f"{measuring.nplc:g} NPLC")
        if offset != measuring.offset_compensation:
            wanted = _on_off(measuring.offset_compensation)
            self._refuse(say("offset compensation"), _on_off(offset), wanted)
        return range_ohm

    def _refuse(self, what: str, found: str, wanted: str) -> NoReturn:
        raise InstrumentRefused(
            "The {name} has {what} {found} instead of {wanted}; check that the profile "
            "fits this meter.",
            name=say(self._port.name),
            what=say(what),
            found=found,
            wanted=wanted,
        )

    def _restore_after_power_loss(self) -> None:
        self._dialogue.tell(*self._profile.dialect.wake)
        if self._expected_ohm is not None and self._dialogue.take_events() & _POWERED_ON:
            self.configure(self._expected_ohm)

    def _require_relay(self) -> None:
        reversal = self._profile.dialect.reversal
        if reversal is not None and reversal.by == "relay" and self._reverse is None:
            raise BadInput(
                "The profile of the {name} reverses the current by a relay, and this "
                "bench has none; set up the relay or choose a profile without reversal.",
                name=say(self._port.name),
            )

    def _read_delta(self, reversal: Reversal) -> MeterReading:
        try:
            first = self._read_once()
            self._turn(reversal, True)
            second = self._read_once()
        finally:
            self._turn(reversal, False)
        third = self._read_once()
        sign = 1 if reversal.shows == "signed" else -1
        # A resistance is the voltage at 1 A.
        value_ohm = delta_ohm(first.value_ohm, sign * second.value_ohm, third.value_ohm, 1.0)
        return MeterReading(value_ohm, third.at_s, "delta")

    def _turn(self, reversal: Reversal, reverse: bool) -> None:
        if self._reverse is not None and reversal.by == "relay":
            self._reverse(reverse)
        else:
            self._dialogue.tell(reversal.reverse if reverse else reversal.forward)
            self._dialogue.wait_until_done()
        threading.Event().wait(reversal.settle_s)

    def _read_once(self) -> MeterReading:
        dialect, measuring = self._profile.dialect, self._profile.measuring
        timeout_s = measuring.reading_timeout_s
        if dialect.trigger is not None:
            self._dialogue.tell(dialect.trigger)
            self._dialogue.wait_until_done()
            self._require_fresh()
        value_ohm, at_s = self._dialogue.ask(dialect.read_query, self._answers.read, timeout_s)
        cancelled: ThermalCancelled = (
            "offset compensation" if measuring.offset_compensation else "no"
        )
        return MeterReading(self._within_range(value_ohm), at_s, cancelled)

    def _require_fresh(self) -> None:
        fresh = self._profile.dialect.fresh
        if fresh is None:
            return
        bits, _ = self._dialogue.ask(fresh.query, parse_number)
        if not int(bits) & fresh.mask:
            raise InstrumentGarbled(
                "The {name} has no new reading after its trigger, only the old one; check "
                "that no key has put it on hold and read again.",
                name=say(self._port.name),
            )

    def _within_range(self, value_ohm: float) -> float:
        # Meters disagree on the number that means "no reading", so it is told by its size.
        measuring = self._profile.measuring
        ceiling_ohm = measuring.overrange_ohm
        if self._range_ohm is not None:
            ceiling_ohm = min(ceiling_ohm, measuring.overrange_of_range * self._range_ohm)
        if abs(value_ohm) >= ceiling_ohm:
            raise NoReading(
                "The {name} gives no reading below {ceiling_mohm:.4g} mΩ: a lead is open, or more "
                "lies between the clips than was said; check all four clips.",
                name=say(self._port.name),
                ceiling_mohm=1e3 * ceiling_ohm,
            )
        return value_ohm


def _spread_and_mean(readings: list[MeterReading]) -> tuple[float, float]:
    values = [reading.value_ohm for reading in readings]
    return max(values) - min(values), sum(values) / len(values)


def _parse_setting(data: bytes) -> float:
    words = {b"ON": 1.0, b"OFF": 0.0}
    word = words.get(data.strip().upper())
    return parse_number(data) if word is None else word


def _on_off(state: bool) -> str:
    return "ON" if state else "OFF"
