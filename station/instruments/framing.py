"""From bytes to lines, numbers, identities and error reports. Pure: no port, no clock."""

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from math import isfinite
from typing import Literal

from calibration.saying import say
from station.errors import InstrumentGarbled
from station.files import DATA, read_text

LONGEST_LINE = 256
"""Bytes without a terminator after which a line is given up as garbled."""

_NUMBER = re.compile(rb"([+-]?)[ \t]*((?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d{1,3})?)")
_ERROR = re.compile(rb"\s*([+-]?\d+)\s*,?\s*(.*)", re.DOTALL)

_HEADER = re.compile(rb"[:*][A-Za-z][A-Za-z0-9:*]*[ \t]+")

_CLASSES = {
    1: say("a command it cannot read"),
    2: say("it could not do it"),
    3: say("its own fault"),
    4: "query",
}


class Overlong(bytes):
    """The first bytes of what never came to a terminator in time."""


@dataclass(frozen=True, slots=True)
class Identity:
    """How an instrument names itself. Fields that it does not give are empty."""

    raw: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""


@cache
def error_hints(where: Literal["queue", "events"]) -> dict[int, str]:
    """What the numbers in an instrument's error queue, or the bits of its events, mean."""
    table = tomllib.loads(read_text(DATA / "instrument_errors.toml"))[where]
    return {row["code"]: row["hint"] for row in table}


@dataclass(frozen=True, slots=True)
class ErrorReport:
    """One entry of an instrument's error queue; code 0 means that the queue is empty."""

    code: int
    text: str

    @property
    def hint(self) -> str:
        """What the code means, in plain words.

        Numbers after SCPI-1999 volume 1, 21.8: -1xx command, -2xx execution, -3xx device,
        -4xx query; positive codes are the instrument's own.
        """
        known = error_hints("queue").get(self.code)
        return known or _CLASSES.get(-self.code // 100, say("its own code: see its manual"))


class LineSplitter:
    """Cuts a stream of chunks into lines, however the chunks fall.

    Parameters
    ----------
    terminator
        The bytes that end a line. Stray CR and LF beside it are stripped as well, so that ``LF``
        reads ``CR LF`` too.
    longest
        Bytes without a terminator after which the line is handed out as overlong; what follows
        up to the next terminator is dropped.
    """

    def __init__(self, terminator: bytes, longest: int = LONGEST_LINE) -> None:
        self._terminator = terminator
        self._longest = longest
        self._partial = b""
        self._dropping = False

    @property
    def partial(self) -> bytes:
        """The bytes since the last terminator."""
        return self._partial

    def feed(self, chunk: bytes) -> list[bytes]:
        """Take the next bytes and return the lines that they complete, oldest first.

        They come without terminators; one that is too long comes as `Overlong`.
        """
        *complete, self._partial = (self._partial + chunk).split(self._terminator)
        if complete and self._dropping:
            self._dropping = False
            del complete[0]
        longest = self._longest
        lines = [
            line.strip(b"\r\n") if len(line) <= longest else Overlong(line[:longest])
            for line in complete
        ]
        # Half a terminator may be part of what came so far.
        if len(self._partial) >= longest + len(self._terminator):
            lines += self._give_up()
        return lines

    def reset(self) -> None:
        """Forget the bytes since the last terminator."""
        self._partial = b""
        self._dropping = False

    def _give_up(self) -> list[Overlong]:
        begun, self._dropping = not self._dropping, True
        head = Overlong(self._partial[: self._longest])
        # Here too, so the last bytes stay.
        self._partial = self._partial[-len(self._terminator) :]
        return [head] if begun else []


def show(data: bytes) -> str:
    """Return received bytes as printable text for a message, at most 40 of them."""
    text = data[:40].decode("ascii", errors="backslashreplace")
    printable = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return f"'{printable}'" + ("..." if len(data) > 40 else "")


def text_of(field: bytes | None) -> str:
    """Return a field of a line as text, without the blanks around it; empty where there is none."""
    return (field or b"").decode("ascii", errors="replace").strip()


def parse_number(data: bytes) -> float:
    """Read a decimal number as instruments send it: ``-12``, ``+1.234``, ``1.2E-03``, ``+ 5``.

    Stricter than ``float``: no ``nan``, ``inf``, underscores or digits of other scripts, and
    nothing that overflows. The forms are those of IEEE 488.2-1992 (8.7.2, 8.7.3), with blanks
    allowed after the sign.

    Raises
    ------
    InstrumentGarbled
        The bytes are no such number.
    """
    match = _NUMBER.fullmatch(data.strip(b" \t\r\n"))
    value = float((match[1] + match[2]).decode("ascii")) if match else float("nan")
    if not isfinite(value):
        raise InstrumentGarbled("{data} is not a number", data=show(data))
    return value


def without_header(data: bytes) -> bytes:
    """Drop the header that an answer begins with, as in ``:FRES:NPLC 1``, if there is one."""
    data = data.lstrip(b" \t")
    header = _HEADER.match(data)
    return data[header.end() :] if header else data


def parse_identity(data: bytes) -> Identity:
    """Read the answer to ``*IDN?``; never fails, whatever an instrument makes of the rule.

    The rule is that of IEEE 488.2: maker, model, serial number, firmware. An echoed header is
    dropped, missing fields are empty, commas beyond the third belong to the firmware.
    """
    raw = data.decode("ascii", errors="backslashreplace").strip()
    body = re.sub(r"^:?\*IDN\??\s*", "", raw, flags=re.IGNORECASE)
    fields = [field.strip().strip('"') for field in body.split(",", 3)]
    fields += [""] * (4 - len(fields))
    return Identity(raw, *fields)


def parse_error_report(data: bytes) -> ErrorReport:
    """Read one answer to ``SYST:ERR?``, with or without quotes: ``-113,"Undefined header"``.

    Raises
    ------
    InstrumentGarbled
        The answer does not begin with a whole number.
    """
    match = _ERROR.fullmatch(data)
    if match is None:
        raise InstrumentGarbled("{data} is not an error report", data=show(data))
    text = match[2].decode("ascii", errors="backslashreplace").strip().strip('"')
    return ErrorReport(int(match[1]), text)
