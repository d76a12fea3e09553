"""The four-wire milliohm meter: set up once, read back, then one question per reading."""

from dataclasses import dataclass
from math import isfinite
from typing import NoReturn

from station.errors import (
    BadInput,
    InstrumentGarbled,
    InstrumentRefused,
    InstrumentSilent,
    NoReading,
    WrongInstrument,
)
from station.instruments.dialogue import Dialogue
from station.instruments.framing import Identity, parse_identity, parse_number
from station.instruments.port import LinePort
from station.instruments.profiles import MeterProfile

_POWERED_ON = 128  # event status register, bit 7 (IEEE 488.2-1992, 11.5.1)
_SETTING_TOLERANCE = 0.01


@dataclass(frozen=True, slots=True)
class MeterReading:
    """A resistance in ohm and the monotonic time in s at which the answer arrived."""

    value_ohm: float
    at_s: float


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """What the meter says it is set to, after it was configured."""

    range_ohm: float | None
    """Null where the profile has no question for it."""
    nplc: float
    offset_compensation: bool


class Meter:
    """A milliohm meter on an open port."""

    def __init__(self, port: LinePort, profile: MeterProfile) -> None:
        self._port = port
        self._profile = profile
        self._dialogue = Dialogue(port, profile)
        self._expected_ohm = 0.0
        self.settings: MeterSettings | None = None
        """Null until configured."""

    def identify(self, bound_serial: str | None = None) -> Identity:
        """Ask the meter who it is.

        Parameters
        ----------
        bound_serial
            The serial number that must answer, where one is bound to this place.

        Raises
        ------
        WrongInstrument
            Another serial number answered.
        """
        identity, _ = self._dialogue.ask(self._profile.dialect.identify_query, parse_identity)
        if bound_serial is not None and identity.serial != bound_serial:
            raise WrongInstrument(
                f"The {self._port.name} on {self._port.url} has serial number "
                f"{identity.serial!r}, not {bound_serial!r}; connect the right one, or bind this."
            )
        return identity

    def configure(self, expected_ohm: float) -> MeterSettings:
        """Clear the meter, set it up for resistances up to ``expected_ohm``, and read it back.

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
        self.settings = None
        self._start_up()
        self._send_settings(expected_ohm)
        self._dialogue.wait_until_done()
        # The queue goes first: "undefined header" tells more than a setting that was not taken.
        self._dialogue.require_no_error()
        settings = self._read_back(expected_ohm)
        self._dialogue.require_no_error()
        self.settings, self._expected_ohm = settings, expected_ohm
        return settings

    def read_ohm(self) -> MeterReading:
        """Take one reading.

        Raises
        ------
        BadInput
            The meter was not configured.
        NoReading
            The answer means open lead, over range or crossed leads.
        InstrumentSilent, InstrumentGarbled, PortLost
            No answer, or none that can be read.
        """
        if self.settings is None:
            raise BadInput(f"The {self._port.name} was not configured; configure it first.")
        value_ohm, at_s = self._dialogue.ask(
            self._profile.dialect.read_query,
            self._parse_reading,
            self._profile.measuring.reading_timeout_s,
        )
        return MeterReading(self._plausible(value_ohm), at_s)

    def read_settled(
        self, repeats: int, tolerance_fraction: float, tolerance_ohm: float, max_reads: int
    ) -> list[MeterReading]:
        """Read until the last ``repeats`` readings agree, and return those.

        The first reading after the clips go on is dropped, whatever it was. Readings agree when
        they lie within ``tolerance_fraction`` of their mean or within ``tolerance_ohm``, whichever
        is wider. A meter that was switched off and on since is configured again first.

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
        self._drop_first_reading()
        last: list[MeterReading] = []
        for _ in range(max_reads):
            last = [*last[-(repeats - 1) :], self.read_ohm()]
            spread_ohm, mean_ohm = _spread_and_mean(last)
            if len(last) == repeats and spread_ohm <= max(
                tolerance_fraction * abs(mean_ohm), tolerance_ohm
            ):
                return last
        raise InstrumentGarbled(
            f"The {self._port.name} is unstable: its last {repeats} readings spread over "
            f"{spread_ohm:.3g} ohm after {max_reads}; seat the clips, wait, and read again."
        )

    def finish(self) -> None:
        """Give the keys back to the operator, where the profile says how."""
        for command in self._profile.dialect.finish:
            self._dialogue.tell(command)

    def _start_up(self) -> None:
        self._dialogue.start_over()
        for command in self._profile.dialect.start_up:
            self._dialogue.tell(command)
        self.identify()
        self._was_powered_on()
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

    def _read_back(self, expected_ohm: float) -> MeterSettings:
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
            self._refuse("integration time", f"{nplc:g} NPLC", f"{measuring.nplc:g} NPLC")
        if offset != measuring.offset_compensation:
            wanted = _on_off(measuring.offset_compensation)
            self._refuse("offset compensation", _on_off(offset), wanted)
        return MeterSettings(range_ohm, nplc, offset)

    def _refuse(self, what: str, found: str, wanted: str) -> NoReturn:
        raise InstrumentRefused(
            f"The {self._port.name} has {what} {found} instead of {wanted}; "
            "check that the profile fits this meter."
        )

    def _was_powered_on(self) -> bool:
        query = self._profile.dialect.status_query
        if query is None:
            return False
        register, _ = self._dialogue.ask(query, parse_number)
        return bool(int(register) & _POWERED_ON)

    def _restore_after_power_loss(self) -> None:
        if self.settings is not None and self._was_powered_on():
            self.configure(self._expected_ohm)

    def _drop_first_reading(self) -> None:
        try:
            self.read_ohm()
        except (NoReading, InstrumentSilent, InstrumentGarbled):
            return

    def _parse_reading(self, data: bytes) -> float:
        text = data.decode("ascii", errors="replace").upper().strip()
        words = {word.upper() for word in self._profile.measuring.no_reading_words}
        if text in words or not text.strip("-. "):
            return float("inf")
        return parse_number(data)

    def _plausible(self, value_ohm: float) -> float:
        # Meters disagree on the number that means "no reading", so it is told by its size.
        measuring = self._profile.measuring
        ceiling_ohm = measuring.overrange_ohm
        if self.settings is not None and self.settings.range_ohm is not None:
            on_range_ohm = measuring.overrange_of_range * self.settings.range_ohm
            ceiling_ohm = min(ceiling_ohm, on_range_ohm)
        if abs(value_ohm) >= ceiling_ohm:
            raise NoReading(
                f"The {self._port.name} gives no reading below {ceiling_ohm:.4g} ohm: open lead or "
                "over range; check all four clips, or expect more ohm."
            )
        if value_ohm < measuring.lowest_ohm:
            raise NoReading(
                f"The {self._port.name} reads {value_ohm:.3g} ohm, below zero; check that the "
                "sense clips are not crossed, and let the joint cool."
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
