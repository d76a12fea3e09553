"""How the simulated instruments speak: the dialects in ``data/demo/voices.toml``."""

from functools import reduce
from operator import xor

from station.crimp.in_force import Facts
from station.files import DATA, read_toml


class MeterVoice(Facts):
    """What one meter dialect does differently from plain SCPI."""

    command_end: bytes = b"\n"
    answer_end: str = "\n"
    headers: bool = False
    error_queue: bool = True
    offset_header: str = "[SENSe:]FRESistance:OCOMpensated"
    """Empty where offsets are not compensated."""
    must_be_remote: bool = False
    """Deaf to all but ``SYST:REM`` after it was switched on."""
    triggered: bool = False
    """``INIT`` measures and ``FETC?`` tells; ``READ?`` is not known."""
    numbered: bool = False
    """A reading comes with its number, and in milliohm."""
    unit: str = ""
    polarity: bool = False


class TesterVoice(Facts):
    """One dialect of pull testers."""

    line: str
    """A force; what can stand in it is said by `said`."""
    overload: str
    """In place of a force beyond the capacity."""
    sentinel: str
    """A line that the fault ``sentinel`` puts in place of each force."""
    units: tuple[tuple[str, float], tuple[str, float]]
    """Name and newtons of its unit, and of the one that the fault ``wrong_unit`` changes to."""
    checked: bool = False
    """Whether what it says stands between ``$`` and ``*hh``, hh the exclusive or of its bytes."""
    sample_rate_hz: float = 100.0
    command_end: bytes = b"\r"
    answer_end: str = "\r\n"
    poll: bytes | None = None
    start: bytes | None = None
    stop: bytes | None = None
    identify: bytes | None = None
    identity: str = "{body}"
    """Wraps the answer to ``identify``."""
    clear_peak: bytes | None = None
    peak: bytes | None = None

    def said(self, form: str, number: float, **values: object) -> str:
        """Fill in a form; ``number`` is the force in its unit, tension positive."""
        body = form.format(
            number=number,
            size=abs(number),
            sign="-" if number < 0 else "+",
            pushed=-number,
            pushed_sign="-" if number > 0 else "+",
            above=int(number >= 0),
            state="ST" if abs(number) < 0.1 else "US",
            raw=8192 + round(number / 0.0005),
            **values,
        )
        return f"${body}*{reduce(xor, body.encode('ascii')):02X}" if self.checked else body


class Voices(Facts):
    """All dialects, by the profile that each fits."""

    meters: dict[str, MeterVoice]
    testers: dict[str, TesterVoice]


_VOICES = read_toml(DATA / "demo" / "voices.toml", Voices)
METER_VOICES = _VOICES.meters
TESTER_VOICES = _VOICES.testers
