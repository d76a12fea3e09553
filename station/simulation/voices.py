"""How the simulated instruments speak: one voice per dialect, each named as the profile it fits.

``unlisted`` is a pull tester that no profile ships for: what a newcomer's instrument would be.
"""

from collections.abc import Callable
from dataclasses import dataclass

POUND_FORCE_N = 4.4482216152605
"""0.45359237 kg x 9.80665 m/s2: exact."""
STANDARD_GRAVITY = 9.80665
"""3rd CGPM 1901: exact."""


@dataclass(frozen=True, slots=True)
class MeterVoice:
    """What one meter dialect does differently from plain SCPI."""

    command_end: bytes = b"\n"
    answer_end: str = "\n"
    headers: bool = False
    error_queue: bool = True
    offset_header: str | None = "[SENSe:]FRESistance:OCOMpensated"
    must_be_remote: bool = False
    """Deaf to all but ``SYST:REM`` after it was switched on."""
    triggered: bool = False
    """``INIT`` measures and ``FETC?`` tells; ``READ?`` is not known."""
    numbered: bool = False
    """A reading comes with its number, and in milliohm."""
    unit: str = ""
    polarity: bool = False


METER_VOICES = {
    "meter-scpi-plain": MeterVoice(),
    "meter-scpi-headers": MeterVoice(
        command_end=b"\r", answer_end="\r\n", headers=True, error_queue=False, unit=" OHM"
    ),
    "meter-scpi-remote": MeterVoice(
        offset_header="SYSTem:OCOMpensated", must_be_remote=True, answer_end="\r\n"
    ),
    "meter-trigger-fetch": MeterVoice(triggered=True, numbered=True, unit=",mOHM"),
    "meter-scpi-reversal": MeterVoice(triggered=True, offset_header=None, polarity=True),
}


@dataclass(frozen=True, slots=True)
class Spoken:
    """What a tester tells in one line; ``number`` is the force in its unit, tension positive."""

    counter: int
    micros: int
    number: float
    unit: str
    overload: bool


@dataclass(frozen=True, slots=True)
class TesterVoice:
    """One dialect of pull testers."""

    line: Callable[[Spoken], str]
    units: tuple[tuple[str, float], tuple[str, float]]
    """Name and newtons of its unit, and of the one that the fault ``wrong_unit`` changes to."""
    sample_rate_hz: float = 100.0
    command_end: bytes = b"\r"
    answer_end: str = "\r\n"
    poll: bytes | None = None
    start: bytes | None = None
    stop: bytes | None = None
    identify: bytes | None = None
    identity: Callable[[str], str] = lambda body: body
    """Wraps the answer to ``identify``."""
    clear_peak: bytes | None = None
    peak: bytes | None = None
    sentinel: str = ""
    """A line that the fault ``sentinel`` puts in place of each force."""


def xor_checked(body: str) -> str:
    """Put a body between ``$`` and ``*hh``, hh the exclusive or of its bytes."""
    checksum = 0
    for byte in body.encode("ascii"):
        checksum ^= byte
    return f"${body}*{checksum:02X}"


def _newton(said: Spoken) -> str:
    if said.overload:
        return f"{said.counter},OL,{said.unit},OL"
    return f"{said.counter},{said.number:+.1f},{said.unit},OK"


def _polled(said: Spoken) -> str:
    return f"OL {said.unit}" if said.overload else f"{said.number:6.1f} {said.unit}".strip()


def _framed(said: Spoken) -> str:
    if said.overload:
        return f"\x021 ------ {said.unit} E"
    return f"\x02{int(said.number >= 0)} {abs(said.number):06.1f} {said.unit} S"


def _kilogram(said: Spoken) -> str:
    if said.overload:
        return f"OL,NT,+         ,{said.unit}"
    state = "ST" if abs(said.number) < 0.1 else "US"
    return f"{state},NT,{_sign(said.number)}{abs(said.number):9.3f},{said.unit}"


def _bare(said: Spoken) -> str:
    return " " * 8 if said.overload else f"{_sign(-said.number)}{abs(said.number):7.1f}"


def _protocol(said: Spoken) -> str:
    raw = 16_777_215 if said.overload else 8192 + round(said.number / 0.0005)
    counter, micros = said.counter % 2**32, said.micros % 2**32
    return xor_checked(f"F,{counter},{micros},{raw},{int(said.overload)}")


def _unlisted(said: Spoken) -> str:
    force = "over" if said.overload else f"{-said.number:+07.2f}"
    return f"LOAD:{force} {said.unit} [ok]"


def _sign(number: float) -> str:
    return "-" if number < 0 else "+"


TESTER_VOICES = {
    "tester-stream-newton": TesterVoice(
        _newton,
        (("N", 1.0), ("lbf", POUND_FORCE_N)),
        command_end=b"\n",
        identify=b"ID?",
        sentinel="0,-----,N,OK",
    ),
    "tester-poll-character": TesterVoice(
        _polled,
        (("lbf", POUND_FORCE_N), ("kgf", STANDARD_GRAVITY)),
        answer_end="\r",
        poll=b"?",
        sentinel="!",
    ),
    "tester-framed-status": TesterVoice(
        _framed,
        (("N", 1.0), ("kN", 1000.0)),
        sample_rate_hz=50,
        answer_end="\x03",
        identify=b"V",
        sentinel="\x021 ------ N ?",
    ),
    "tester-indicator-kilogram": TesterVoice(
        _kilogram,
        (("kg", STANDARD_GRAVITY), ("lb", POUND_FORCE_N)),
        sample_rate_hz=10,
        sentinel="US,NT,+ --.---,kg",
    ),
    "tester-stream-bare": TesterVoice(
        _bare,
        (("", 1.0), ("", POUND_FORCE_N)),
        start=b"GO",
        stop=b"HALT",
        identify=b"WHO",
        clear_peak=b"PZ",
        peak=b"PT",
        sentinel="*10",
    ),
    "tester-line-protocol": TesterVoice(
        _protocol,
        (("", 1.0), ("", POUND_FORCE_N)),
        sample_rate_hz=1000,
        command_end=b"\n",
        identify=b"ID?",
        identity=lambda body: xor_checked(f"I,{body}"),
        sentinel="$F,0,0,,0*00",
    ),
    "unlisted": TesterVoice(
        _unlisted, (("daN", 10.0), ("N", 1.0)), sample_rate_hz=25, sentinel="LOAD:----- daN [ok]"
    ),
}
