"""From a meter's answers to resistances in ohm. Pure."""

import re

from station.errors import InstrumentGarbled
from station.instruments.framing import parse_number, show, text_of
from station.instruments.profiles import MeterProfile

NO_READING_OHM = float("inf")
"""Stands for an answer that says in words that there is no reading."""


class OhmAnswers:
    """Reads a meter's answers, one after the other, in the words of its profile."""

    def __init__(self, profile: MeterProfile) -> None:
        reply = profile.dialect.reply
        self._pattern = None if reply is None else re.compile(reply.encode("ascii"))
        self._units = profile.dialect.units
        self._no_reading = {word.upper() for word in profile.measuring.no_reading_words}
        self._last_count: int | None = None

    def read(self, data: bytes) -> float:
        """Return the resistance in ohm, or `NO_READING_OHM`.

        Raises
        ------
        InstrumentGarbled
            The answer is not of the profile's form, names an unknown unit, or is the same reading
            as the one before.
        """
        fields: dict[str, bytes | None] = {"value": data}
        if self._pattern is not None:
            match = self._pattern.fullmatch(data.strip(b" \t"))
            if match is None:
                raise InstrumentGarbled("{data} is not of the form in the profile", data=show(data))
            fields = match.groupdict()
        self._require_new(fields.get("count"))
        value = text_of(fields["value"])
        words = {value.upper(), text_of(fields.get("status")).upper()}
        if words & self._no_reading or not value.strip("-. "):
            return NO_READING_OHM
        unit = text_of(fields.get("unit"))
        if unit not in self._units:
            raise InstrumentGarbled(
                "it names the unit {unit!r}, which the profile does not know", unit=unit
            )
        return parse_number(fields["value"] or b"") * self._units[unit]

    def _require_new(self, field: bytes | None) -> None:
        if field is None:
            return
        count = int(parse_number(field))
        if count == self._last_count:
            raise InstrumentGarbled(
                "reading number {count} came again: an old one, not a new one", count=count
            )
        self._last_count = count
