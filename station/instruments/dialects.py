"""The words of an instrument, as its profile states them. Checked when a profile is loaded."""

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from station.crimp.in_force import Facts, NotNegative, Positive

LineEnd = Annotated[str, Field(pattern=r"^[\x00-\x7f]{1,2}$")]

MASS_UNITS = {"g", "kg", "lb", "oz"}


def _pattern(needed: str, *others: str) -> AfterValidator:
    def check(pattern: str) -> str:
        try:
            groups = set(re.compile(pattern.encode("ascii")).groupindex)
        except (re.error, UnicodeEncodeError) as error:
            raise ValueError(f"not a regular expression in ASCII: {error}") from error
        if needed not in groups or groups - {needed, *others}:
            may = ", ".join(sorted(others))
            raise ValueError(f"needs the group {needed} and may have {may}, but has {groups}")
        return pattern

    return AfterValidator(check)


ReadingPattern = Annotated[str, _pattern("value", "unit", "status", "count")]
ForcePattern = Annotated[str, _pattern("force", "unit", "status", "counter", "time", "sign")]
PeakPattern = Annotated[str, _pattern("force", "unit")]
IdentityPattern = Annotated[str, _pattern("serial", "maker", "model", "firmware")]


class LineSettings(Facts):
    """Settings of a serial line."""

    baud: Annotated[int, Field(gt=0)]
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts_cts", "xon_xoff"] = "none"
    send_end: LineEnd = "\n"
    receive_end: LineEnd = "\n"
    settle_s: NotNegative = 0.2
    """Quiet time to wait for after opening and after a clear."""


class ReadBack(Facts):
    """A question that shows whether a setting was taken."""

    setting: Literal["range_ohm", "nplc", "offset_compensation"]
    query: str


class Fresh(Facts):
    """A question whose answer tells a new reading from one that was fetched before."""

    query: str
    mask: Annotated[int, Field(gt=0)]
    """Bits of the whole number answered; one of them set means a new reading."""


class Reversal(Facts):
    """How the test current is turned round, so that thermal voltages cancel."""

    by: Literal["command", "relay"]
    forward: str = ""
    reverse: str = ""
    """Commands, for ``by = "command"``."""
    shows: Literal["signed", "magnitude"] = "signed"
    """What the meter shows of a resistance with its current reversed: -R, or +R all the same."""
    settle_s: NotNegative = 0.05
    """Waited after each turn."""

    @model_validator(mode="after")
    def _commands_are_there(self) -> Self:
        if (self.by == "command") != bool(self.forward and self.reverse):
            raise ValueError("forward and reverse are for by = 'command', and it needs both")
        return self


class MeterDialect(Facts):
    """The words of a milliohm meter. A query or list left out is not used."""

    clear: Literal["none", "break", "ctrl_c"] = "none"
    """How the meter is made to drop what it is doing."""
    headers: bool = False
    """True where an answer may begin with the header of what it answers, ``:FRES:NPLC 1``."""
    wake: tuple[str, ...] = ()
    """Sent before it is asked anything, to one that is deaf until it is told to listen."""
    start_up: tuple[str, ...] = ()
    finish: tuple[str, ...] = ()
    """Sent at the end, to give the keys back to the operator."""
    identify_query: str
    error_query: str | None = None
    """Left out, errors are looked for in the event status register."""
    barrier_query: str
    """Answered with 1 when all earlier work is done."""
    status_query: str | None = None
    """Event status register; bit 7 tells that the meter was switched off and on."""
    configure: tuple[str, ...]
    """Templates; may use ``{expected_ohm}``, ``{nplc}`` and ``{offset_compensation}``."""
    read_back: tuple[ReadBack, ...] = ()
    trigger: str | None = None
    """Starts a reading that ``read_query`` then fetches; left out, ``read_query`` does both."""
    fresh: Fresh | None = None
    read_query: str
    reply: ReadingPattern | None = None
    """Regular expression of an answer; groups ``value``, ``unit``, ``status``, ``count``.

    Left out, an answer is a number of ohms. ``count`` is the number of the reading.
    """
    units: dict[str, Positive] = Field(default={"": 1.0})
    """Ohms in one of each unit that an answer may name."""
    reversal: Reversal | None = None

    @field_validator("configure")
    @classmethod
    def _templates_fill(cls, templates: tuple[str, ...]) -> tuple[str, ...]:
        for template in templates:
            try:
                template.format(expected_ohm=0.1, nplc=1.0, offset_compensation="ON")
            except (KeyError, IndexError, ValueError) as error:
                raise ValueError(f"cannot fill {template!r}: {error}") from error
        return templates

    @model_validator(mode="after")
    def _old_readings_are_told(self) -> Self:
        counted = self.reply is not None and "count" in re.compile(self.reply).groupindex
        if self.trigger is not None and not counted and self.fresh is None:
            raise ValueError(
                "a meter with a trigger may hand out an old reading again: give fresh, or the "
                "group count in reply"
            )
        return self


class PeakRegister(Facts):
    """The tester's own highest force, caught faster than it sends lines."""

    clear: str
    query: str
    reply: PeakPattern
    """Regular expression of the answer; groups ``force`` and perhaps ``unit``."""


class TesterDialect(Facts):
    """The words of a pull tester that sends its force line by line."""

    identify_query: str | None = None
    identity: IdentityPattern | None = None
    """Regular expression of the answer; groups ``serial`` and perhaps ``maker``, ``model``,
    ``firmware``. Left out, they stand in the order maker, model, serial, firmware, with commas."""
    start: tuple[str, ...] = ()
    """Makes it send; empty for one that always does. Never a command to a motor."""
    stop: tuple[str, ...] = ()
    poll: str | None = None
    """Asks for one force; left out, the tester sends without being asked for each."""
    reply: ForcePattern
    """Regular expression of a whole line; groups ``force``, ``sign``, ``unit``, ``status``,
    ``counter`` and ``time``, of which only ``force`` must be there."""
    checksum: Literal["none", "xor_hex"] = "none"
    """``xor_hex``: the line is ``$...*hh``, hh the exclusive or of the bytes between, in hex."""
    tension_sign: Literal[1, -1] = 1
    signs: dict[str, Literal[1, -1]] = Field(default={})
    """What each text of the group ``sign`` means for the force."""
    zero_raw: float = 0.0
    """Taken from the number of a line before its unit counts, for testers that send raw counts."""
    units: dict[str, Positive]
    """Newtons in one of each unit that the tester may name."""
    mass_as_force: bool = False
    """True only for a tester that shows a mass and was calibrated as force, at standard gravity."""
    assumed_unit: str | None = None
    """Taken where a line names no unit; left out, such a line is refused."""
    good_status: tuple[str, ...] = ()
    """Every text of the group ``status`` with which a force counts; any other voids the pull."""
    overload_words: tuple[str, ...] = ()
    """What stands in place of the force or the status when the tester is overloaded."""
    overload_mask: Annotated[int, Field(ge=0)] = 0
    """Where the status is a hex number: bits that mean overload."""
    counter_modulus: Annotated[int, Field(gt=1)] | None = None
    """The counter goes back to 0 after one less than this; left out, it never does."""
    time_unit_s: Positive = 1e-6
    """Seconds in one of the group ``time``."""
    time_modulus: Annotated[int, Field(gt=1)] | None = None
    peak: PeakRegister | None = None

    @property
    def guarded_by(self) -> Literal["checksum", "counter", "nothing"]:
        """What shows that a line was changed or lost, beyond what its neighbours say."""
        if self.checksum != "none":
            return "checksum"
        return "counter" if "counter" in re.compile(self.reply).groupindex else "nothing"

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if bool(self.signs) != ("sign" in re.compile(self.reply).groupindex):
            raise ValueError("signs and the group sign in reply go together")
        if bool(self.good_status) != ("status" in re.compile(self.reply).groupindex):
            raise ValueError(
                "good_status and the group status in reply go together: list every status with "
                "which a force is good, from the tester's manual"
            )
        masses = sorted(MASS_UNITS & set(self.units))
        if masses and not self.mass_as_force:
            raise ValueError(
                f"{masses[0]} is a mass: a force follows only where the tester was calibrated at "
                "standard gravity; then say mass_as_force = true"
            )
        return self
