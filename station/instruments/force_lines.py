"""From a pull tester's lines to numbered forces in newton. Pure."""

import re
from dataclasses import dataclass
from functools import reduce
from operator import xor

from calibration.saying import say
from station.errors import InstrumentGarbled
from station.instruments.framing import parse_number, show, text_of
from station.instruments.profiles import PullTesterProfile

MOST_UNREAD_IN_A_ROW = 5
"""Unreadable lines in a row after which the tester counts as garbled."""

_HEX = re.compile(rb"[0-9A-Fa-f]{1,8}")
_CHECKED = re.compile(rb"\$([^$*]*)\*([0-9A-F]{2})")


@dataclass(frozen=True, slots=True)
class ForceSample:
    """One force in newton, tension positive.

    ``index`` counts samples from the first line read, lost ones included; ``at_s`` is the
    monotonic time in s at which the line arrived. ``force_n`` is null for an overload line.
    ``device_s`` is the time by the tester's own clock, in s from its first line; null without one.
    """

    index: int
    at_s: float
    force_n: float | None
    device_s: float | None = None


class ForceLines:
    """Reads the lines of one run, one after the other.

    Raises
    ------
    InstrumentGarbled
        From `read`: the unit changed or is unknown, the status is not one of the good ones, the
        counter did not advance, or too many lines in a row cannot be read.
    """

    def __init__(self, profile: PullTesterProfile, name: str) -> None:
        self._dialect = profile.dialect
        self._name = name
        self._pattern = re.compile(profile.dialect.reply.encode("ascii"))
        self._overload_words = {word.upper() for word in profile.dialect.overload_words}
        self._counter: int | None = None
        self._index = -1
        self._unread_in_a_row = 0
        self._ticks: int | None = None
        self._device_ticks = 0
        self.counted = "counter" in self._pattern.groupindex
        """True when the tester numbers its samples."""
        self.unit = ""
        """The unit of this run; empty before the first line that can be read."""
        self.unit_assumed = False

    def matches(self, data: bytes) -> bool:
        """True for a line of the form that this tester's forces have."""
        return self._pattern.fullmatch(data) is not None

    def read(self, data: bytes, at_s: float) -> ForceSample | None:
        """Read the next line; null for one that cannot be read."""
        match = self._pattern.fullmatch(data)
        intact = self._dialect.checksum == "none" or xor_intact(data)
        sample = self._sample(match.groupdict(), at_s) if match is not None and intact else None
        if sample is None:
            self.skip(data)
        else:
            self._unread_in_a_row = 0
        return sample

    def skip(self, data: bytes) -> None:
        """Note a line that could not be read."""
        self._unread_in_a_row += 1
        if not self.counted:
            self._index += 1
        if self._unread_in_a_row >= MOST_UNREAD_IN_A_ROW:
            raise InstrumentGarbled(
                "The {name} sends lines that its profile cannot read, such as {data}; "
                "check line settings, unit and output format.",
                name=say(self._name),
                data=show(data),
            )

    def _sample(self, fields: dict[str, bytes | None], at_s: float) -> ForceSample | None:
        force = (fields["force"] or b"").strip()
        overloaded = self._overloaded(force, fields.get("status"))
        if not overloaded and "status" in fields:
            self._require_good(text_of(fields["status"]))
        try:
            counter = int(parse_number(fields["counter"] or b"")) if self.counted else None
            ticks = int(parse_number(fields["time"] or b"")) if "time" in fields else None
            value = None if overloaded else parse_number(force)
        except InstrumentGarbled:
            return None
        sign = self._dialect.signs.get(text_of(fields.get("sign")), None if "sign" in fields else 1)
        if sign is None:
            return None
        factor = 1.0 if value is None else self._newtons_per_unit(text_of(fields.get("unit")))
        self._advance(counter)
        device_s = self._device_time_s(ticks)
        force_n = None
        if value is not None:
            force_n = self._dialect.tension_sign * sign * (value - self._dialect.zero_raw) * factor
        return ForceSample(self._index, at_s, force_n, device_s)

    def _require_good(self, status: str) -> None:
        if status not in self._dialect.good_status:
            raise InstrumentGarbled(
                "The {name} says {status!r} with its force, and its profile does not name that "
                "as good, so this run is void; look {status!r} up in the tester's manual.",
                name=say(self._name),
                status=status,
            )

    def _overloaded(self, force: bytes, status: bytes | None) -> bool:
        words = {text_of(word).upper() for word in (force, status) if word is not None}
        mask = self._dialect.overload_mask
        flags = _HEX.fullmatch(status or b"") if mask else None
        return bool(words & self._overload_words or (flags and int(flags[0], 16) & mask))

    def _device_time_s(self, ticks: int | None) -> float | None:
        if ticks is None:
            return None
        if self._ticks is not None:
            step = ticks - self._ticks
            modulus = self._dialect.time_modulus
            self._device_ticks += step if modulus is None else step % modulus
            if step < 0 and modulus is None:
                raise InstrumentGarbled(
                    "The clock of the {name} went back from {ticks} to {ticks_2}: it was "
                    "restarted, so this run is void; pull a new sample.",
                    name=say(self._name),
                    ticks=self._ticks,
                    ticks_2=ticks,
                )
        self._ticks = ticks
        return self._device_ticks * self._dialect.time_unit_s

    def _newtons_per_unit(self, unit: str) -> float:
        if not unit:
            self.unit_assumed = True
            unit = self._dialect.assumed_unit or ""
        if unit not in self._dialect.units:
            raise InstrumentGarbled(
                "The {name} names the unit {unit!r}, which its profile does not know; set "
                "it to one of {units}.",
                name=say(self._name),
                unit=unit,
                units=", ".join(self._dialect.units),
            )
        if self.unit not in ("", unit):
            raise InstrumentGarbled(
                "The {name} changed its unit from {unit} to {unit_2} while it was read, "
                "so this run is void; set the unit, lock it, and pull a new sample.",
                name=say(self._name),
                unit=self.unit,
                unit_2=unit,
            )
        self.unit = unit
        return self._dialect.units[unit]

    def _advance(self, counter: int | None) -> None:
        if counter is None or self._counter is None:
            self._counter, self._index = counter, self._index + 1
            return
        step = counter - self._counter
        if self._dialect.counter_modulus is not None:
            step %= self._dialect.counter_modulus
        if step <= 0:
            raise InstrumentGarbled(
                "The sample counter of the {name} went from {counter} to {counter_2}: it "
                "was restarted, so this run is void; pull a new sample.",
                name=say(self._name),
                counter=self._counter,
                counter_2=counter,
            )
        self._counter, self._index = counter, self._index + step


def xor_intact(data: bytes) -> bool:
    """True for ``$...*hh`` whose hh is the exclusive or of the bytes between ``$`` and ``*``.

    The checksum is that of NMEA 0183.
    """
    match = _CHECKED.fullmatch(data)
    return match is not None and reduce(xor, match[1], 0) == int(match[2], 16)
