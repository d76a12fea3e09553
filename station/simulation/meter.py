"""A simulated four-wire milliohm meter: ``python -m station.simulation.meter --seed 1``.

Speaks a small part of SCPI, in the dialect of the profile that it is told (``--profile``). Hands
may ``{"mount": {...}}`` a specimen, ``{"unmount": true}`` it, and ``{"power_cycle": true}`` the
meter.
"""

import argparse
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np

from station.errors import BadInput, InstrumentGarbled
from station.instruments.framing import parse_number
from station.simulation.physics import Specimen, ThermalVoltage, four_wire_ohm, noisy
from station.simulation.service import DeviceFault, mounted, serve
from station.simulation.voices import METER_VOICES, MeterVoice

DEFAULT_PROFILE = "meter-scpi-plain"

RANGES_OHM = (0.01, 0.1, 1.0, 10.0, 100.0, 1000.0)

_TEST_CURRENTS_A = (1.0, 1.0, 0.1, 0.01, 0.01, 0.001)
_COUNTS = 1e5
_NOISE_COUNTS = 0.5
_OVERRANGE = 1.2
_OPEN_LEAD = 9.9e37
_SENTINELS = ("+9.91000000E+37", "+1.00000000E+10", "OL", "-----", "        ")
_QUEUE_LENGTH = 20
_MAINS_HZ = 50.0
_PRESET_NPLC = 10.0
_LONGEST_NPLC = 100.0
_MEASURED = 16
_DRIFT_PER_READING = 0.02
_CONTROL_C = b"\x03"
_POWER_ON, _COMMAND_ERROR, _EXECUTION_ERROR = 128, 32, 16

_ERRORS = {
    -104: "Data type error",
    -113: "Undefined header",
    -222: "Data out of range",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
}

Action = Callable[[str], str | None]


@dataclass(eq=False)
class _Refused(Exception):
    code: int


class SimulatedMeter:
    """A meter with ranges, integration time, offset compensation and an error queue.

    Parameters
    ----------
    rng
        Source of its noise and thermal voltages.
    serial_number
        What it says of itself.
    paced
        False makes every reading come at once instead of after its integration time.
    voice
        The dialect that it speaks.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        serial_number: str = "0001",
        paced: bool = True,
        voice: MeterVoice = METER_VOICES[DEFAULT_PROFILE],
    ) -> None:
        self._rng = rng
        self.serial_number = serial_number
        self._voice = voice
        self._fault: DeviceFault | Literal["none"] = "none"
        self._readings = 0
        self._paced = paced
        self._specimen: Specimen | None = None
        self._emf = ThermalVoltage.drawn(rng)
        self._mounted_s = 0.0
        self._commands = [(_header_pattern(spec), act) for spec, act in self._table().items()]
        self._power_on()

    def _power_on(self) -> None:
        self._inbox: deque[bytes] = deque()
        self._errors: list[int] = []
        self._events = _POWER_ON
        self._ready_s = 0.0
        self._measuring = False
        self._tells = False
        self._new_reading = False
        self._last_ohm: float | None = None
        self._remote = not self._voice.must_be_remote
        self._current_sign = 1
        self._preset()

    def receive(self, line: bytes, now_s: float) -> None:
        """Take a command; it is done when those before it are. Ctrl-C drops what waits."""
        del now_s
        if _CONTROL_C in line:
            line = line.rpartition(_CONTROL_C)[2]
            self._inbox.clear()
            self._measuring = False
        self._inbox.append(line)

    def due(self, now_s: float) -> bytes:
        """Return the answers that are ready."""
        said = ""
        while self._ready_s <= now_s and (self._measuring or self._inbox):
            if self._measuring:
                self._measuring = False
                self._measure(self._ready_s)
                answer = self._with_header("READ", self._formatted()) if self._tells else None
            else:
                self._ready_s = now_s
                answer = self._execute(self._inbox.popleft())
            said += "" if answer is None else answer + self._voice.answer_end
        return said.encode("ascii")

    def next_due_s(self, now_s: float) -> float:
        """Return when the reading under way is done."""
        del now_s
        return self._ready_s if self._measuring else float("inf")

    def handle(self, command: dict[str, object], now_s: float) -> None:
        """Mount or unmount a specimen, or switch the meter off and on."""
        match command:
            case {"mount": fields}:
                self._specimen, self._mounted_s = mounted(fields), now_s
                self._emf = ThermalVoltage.drawn(self._rng)
            case {"unmount": True}:
                self._specimen = None
            case {"power_cycle": True}:
                self._power_on()
            case _:
                raise BadInput(f"Hands at the meter mount, unmount or power_cycle, not {command}.")

    def befall(self, fault: DeviceFault | Literal["none"]) -> None:
        """Let something go wrong inside it, or be well again."""
        self._fault = fault

    def _table(self) -> dict[str, Action]:
        voice = self._voice
        table: dict[str, Action] = {
            "*IDN?": lambda _: f"CRIMP STATION,SIMULATED METER,{self.serial_number},1",
            "*CLS": self._clear_status,
            "*RST": self._preset,
            "*OPC?": lambda _: "1",
            "*ESR?": self._take_events,
            "SYSTem:REMote": lambda _: self._set_remote(True),
            "SYSTem:LOCal": lambda _: self._set_remote(False),
            "CONFigure[:SCALar]:FRESistance": self._preset,
            "[SENSe:]FRESistance:RANGe[:UPPer]": self._set_range,
            "[SENSe:]FRESistance:RANGe[:UPPer]?": lambda _: f"{self._range_ohm:+.8E}",
            "[SENSe:]FRESistance:NPLCycles": self._set_nplc,
            "[SENSe:]FRESistance:NPLCycles?": lambda _: f"{self._nplc:+.8E}",
            "FETCh?": self._fetch,
        }
        if voice.offset_header:
            table[voice.offset_header] = self._set_offset_compensation
            table[voice.offset_header + "?"] = lambda _: str(int(self._offset_compensation))
        if voice.error_queue:
            table["SYSTem:ERRor[:NEXT]?"] = self._take_error
        if voice.triggered:
            table["INITiate[:IMMediate]"] = self._trigger
            table["STATus:OPERation[:EVENt]?"] = self._take_new_reading
        else:
            table["READ?"] = self._begin_reading
        if voice.polarity:
            table["OUTPut:POLarity"] = self._set_polarity
        return table

    def _execute(self, line: bytes) -> str | None:
        header, _, parameter = line.decode("ascii", "replace").strip().partition(" ")
        if not header or not (self._remote or header.upper().startswith("SYST:REM")):
            return None
        try:
            for pattern, action in self._commands:
                if pattern.fullmatch(header.upper()):
                    answer = action(parameter.strip().upper())
                    return answer and self._with_header(header.rstrip("?"), answer)
            raise _Refused(-113)
        except _Refused as error:
            self._report(error.code)
            return None

    def _with_header(self, header: str, answer: str) -> str:
        if not self._voice.headers:
            return answer
        return f"{'' if header.startswith('*') else ':'}{header} {answer}"

    def _report(self, code: int) -> None:
        self._events |= _COMMAND_ERROR if code > -200 else _EXECUTION_ERROR
        if len(self._errors) < _QUEUE_LENGTH:
            self._errors.append(code)
        else:
            self._errors[-1] = -350

    def _preset(self, _: str = "") -> None:
        self._range_ohm = RANGES_OHM[-1]
        self._nplc = _PRESET_NPLC
        self._offset_compensation = False

    def _clear_status(self, _: str) -> None:
        self._errors.clear()
        self._events = 0

    def _take_events(self, _: str) -> str:
        events, self._events = self._events, 0
        return str(events)

    def _take_error(self, _: str) -> str:
        if not self._errors:
            return '0,"No error"'
        code = self._errors.pop(0)
        return f'{code},"{_ERRORS[code]}"'

    def _set_range(self, parameter: str) -> None:
        fitting = [range_ohm for range_ohm in RANGES_OHM if range_ohm >= _number(parameter)]
        if not fitting:
            raise _Refused(-222)
        self._range_ohm = fitting[0]

    def _set_nplc(self, parameter: str) -> None:
        nplc = _number(parameter)
        if not 0 < nplc <= _LONGEST_NPLC:
            raise _Refused(-222)
        self._nplc = nplc

    def _set_offset_compensation(self, parameter: str) -> None:
        if parameter not in ("ON", "OFF", "1", "0"):
            raise _Refused(-104)
        self._offset_compensation = parameter in ("ON", "1")

    def _begin_reading(self, _: str) -> None:
        self._tells = True
        self._measuring = True
        self._ready_s += self._reading_time_s if self._paced else 0.0

    def _trigger(self, _: str) -> None:
        if self._fault != "stuck":
            self._begin_reading("")
            self._tells = False

    def _take_new_reading(self, _: str) -> str:
        new, self._new_reading = self._new_reading, False
        return str(_MEASURED if new else 0)

    def _fetch(self, _: str) -> str:
        if self._last_ohm is None:
            raise _Refused(-230)
        return self._formatted()

    def _set_remote(self, remote: bool) -> None:
        self._remote = remote or not self._voice.must_be_remote

    def _set_polarity(self, parameter: str) -> None:
        if parameter not in ("NORM", "INV"):
            raise _Refused(-104)
        self._current_sign = 1 if parameter == "NORM" else -1

    @property
    def _reading_time_s(self) -> float:
        # Twice for autozero, which is always on, and twice for the half with the current off.
        return self._nplc / _MAINS_HZ * 2 * (2 if self._offset_compensation else 1)

    def _measure(self, at_s: float) -> None:
        if self._fault == "stuck" and self._last_ohm is not None:
            return
        self._readings += 1
        self._new_reading = True
        self._last_ohm = _OPEN_LEAD if self._specimen is None else self._feel(self._specimen, at_s)

    def _feel(self, specimen: Specimen, at_s: float) -> float:
        since_s = max(0.0, at_s - self._mounted_s)
        current_a = _TEST_CURRENTS_A[RANGES_OHM.index(self._range_ohm)]
        # A voltmeter sees the reversed current as a negative resistance, and the EMF unchanged.
        value_ohm = four_wire_ohm(
            self._current_sign * specimen.between_clips_ohm,
            self._emf.at(since_s),
            self._emf.at(since_s + self._reading_time_s / 2),
            current_a,
            self._offset_compensation,
        )
        if self._fault == "drift":
            value_ohm *= 1 + _DRIFT_PER_READING * self._readings
        if abs(value_ohm) > _OVERRANGE * self._range_ohm:
            return _OPEN_LEAD
        count_ohm = self._range_ohm / _COUNTS
        return noisy(value_ohm, _NOISE_COUNTS * count_ohm / sqrt(self._nplc), count_ohm, self._rng)

    def _formatted(self) -> str:
        value = self._last_ohm or 0.0
        text = f"{value * 1000 if self._voice.numbered else value:+.8E}"
        if self._fault == "sentinel":
            text = _SENTINELS[self._readings % len(_SENTINELS)]
        unit = self._voice.unit.replace("OHM", "V") if self._fault == "wrong_unit" else None
        number = f"{self._readings}," if self._voice.numbered else ""
        return number + text + (self._voice.unit if unit is None else unit)


def _header_pattern(spec: str) -> re.Pattern[str]:
    """Build the pattern of a header: lower-case letters and what is in brackets may be left out."""
    parts = {"[": "(?:", "]": ")?", "*": r"\*", "?": r"\?"}
    return re.compile(
        ":?"
        + re.sub(
            r"[a-z]+|[\[\]*?]", lambda match: parts.get(match[0], f"(?:{match[0].upper()})?"), spec
        )
    )


def _number(parameter: str) -> float:
    try:
        return parse_number(parameter.encode("ascii", "replace"))
    except InstrumentGarbled as error:
        raise _Refused(-104) from error


def _made(options: argparse.Namespace, rng: np.random.Generator) -> SimulatedMeter:
    return SimulatedMeter(
        rng,
        serial_number=options.serial_number,
        paced=not options.no_pacing,
        voice=METER_VOICES[options.profile],
    )


if __name__ == "__main__":
    serve(_made, METER_VOICES, DEFAULT_PROFILE, baud=9600)
