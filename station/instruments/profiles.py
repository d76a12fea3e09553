"""What the drivers know about an instrument: one TOML file per kind, checked when it is loaded.

A profile holds the line settings, the words the instrument speaks and what its numbers are worth.
A shop keeps its own profiles in a folder; a name found there goes before one that ships.
"""

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from station.errors import DataFileError

SHIPPED_FOLDER = Path(__file__).parent / "profiles"

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
LineEnd = Annotated[str, Field(pattern=r"^[\x00-\x7f]{1,2}$")]

_REPLY_GROUPS = {"force", "unit", "status", "counter"}


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class LineSettings(_Part):
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


class ReadBack(_Part):
    """A question that shows whether a setting was taken."""

    setting: Literal["range_ohm", "nplc", "offset_compensation"]
    query: str


class MeterDialect(_Part):
    """The words of a milliohm meter. A query or list left out is not used."""

    clear: Literal["none", "break", "ctrl_c"] = "none"
    """How the meter is made to drop what it is doing."""
    start_up: tuple[str, ...] = ()
    finish: tuple[str, ...] = ()
    """Sent at the end, to give the keys back to the operator."""
    identify_query: str
    error_query: str
    barrier_query: str
    """Answered with 1 when all earlier work is done."""
    status_query: str | None = None
    """Event status register; bit 7 tells that the meter was switched off and on."""
    configure: tuple[str, ...]
    """Templates; may use ``{expected_ohm}``, ``{nplc}`` and ``{offset_compensation}``."""
    read_back: tuple[ReadBack, ...] = ()
    read_query: str

    @field_validator("configure")
    @classmethod
    def _templates_fill(cls, templates: tuple[str, ...]) -> tuple[str, ...]:
        for template in templates:
            try:
                template.format(expected_ohm=0.1, nplc=1.0, offset_compensation="ON")
            except (KeyError, IndexError, ValueError) as error:
                raise ValueError(f"cannot fill {template!r}: {error}") from error
        return templates


class Measuring(_Part):
    """How the meter is set to measure, and which answers are no readings."""

    nplc: Positive
    """Integration time in periods of the mains."""
    mains_frequency_hz: Positive = 50.0
    autozero: bool = True
    offset_compensation: bool
    """True when thermal voltages are cancelled by measuring with the current off or reversed."""
    answer_timeout_s: Positive = 1.0
    """Allowed for an answer beyond the time of the measurement."""
    overrange_ohm: Positive = 1e6
    """From here on a number is a sign for "over range", whichever number the meter uses."""
    overrange_of_range: Positive = 1.2
    """Likewise, as a multiple of the range in use."""
    lowest_ohm: Annotated[float, Field(le=0)] = -1e-4
    """Below this a reading means crossed sense leads or a thermal voltage."""
    no_reading_words: tuple[str, ...] = ("OL", "OVLD")

    @property
    def reading_time_s(self) -> float:
        """Time of one reading in s: doubled by autozero, and again by offset compensation."""
        doublings = self.autozero + self.offset_compensation
        return float(self.nplc / self.mains_frequency_hz * 2**doublings)

    @property
    def reading_timeout_s(self) -> float:
        """How long to wait for a reading, in s."""
        return 3 * self.reading_time_s + self.answer_timeout_s


class MeterAccuracy(_Part):
    """The meter's own statement of its error bounds: of reading, of range, and the last digit."""

    percent_of_reading: NotNegative
    percent_of_range: NotNegative
    resolution_ohm: Positive


class MeterProfile(_Part):
    """A four-wire milliohm meter."""

    kind: Literal["meter"]
    title: str
    source: str
    """Where the numbers come from."""
    line: LineSettings
    dialect: MeterDialect
    measuring: Measuring
    accuracy: MeterAccuracy


class TesterDialect(_Part):
    """The words of a pull tester that sends its force line by line."""

    identify_query: str | None = None
    start: tuple[str, ...] = ()
    """Makes it send; empty for one that always does. Never a command to a motor."""
    stop: tuple[str, ...] = ()
    reply: str
    """Regular expression of a whole line; groups ``force``, ``unit``, ``status``, ``counter``."""
    tension_sign: Literal[1, -1] = 1
    units: dict[str, Positive]
    """Newtons in one of each unit that the tester may name."""
    assumed_unit: str | None = None
    """Taken where a line names no unit; left out, such a line is refused."""
    overload_words: tuple[str, ...] = ()
    """What stands in place of the force or the status when the tester is overloaded."""
    counter_modulus: Annotated[int, Field(gt=1)] | None = None
    """The counter goes back to 0 after one less than this; left out, it never does."""

    @field_validator("reply")
    @classmethod
    def _reply_compiles(cls, reply: str) -> str:
        try:
            groups = set(re.compile(reply.encode("ascii")).groupindex)
        except (re.error, UnicodeEncodeError) as error:
            raise ValueError(f"not a regular expression in ASCII: {error}") from error
        if "force" not in groups or groups - _REPLY_GROUPS:
            raise ValueError(f"needs the group force and may have unit, status, counter: {groups}")
        return reply


class Sampling(_Part):
    """How fast the force line is."""

    sample_rate_hz: Positive
    filter_hz: Positive | None = None
    """Corner of the tester's own low-pass filter, where it is known."""
    silence_s: Positive = 2.0
    """Without a line for this long the tester counts as silent."""


class ForceAccuracy(_Part):
    """What a force from this tester is worth."""

    resolution_n: Positive
    capacity_n: Positive
    percent_of_reading: NotNegative


class PullTesterProfile(_Part):
    """A pull tester."""

    kind: Literal["pull_tester"]
    title: str
    source: str
    line: LineSettings
    dialect: TesterDialect
    sampling: Sampling
    force: ForceAccuracy


Profile = MeterProfile | PullTesterProfile
_READER: TypeAdapter[Profile] = TypeAdapter(Annotated[Profile, Field(discriminator="kind")])


def profile_names(folder: Path | None = None) -> tuple[str, ...]:
    """Return the names of all profiles, those in ``folder`` included, sorted."""
    folders = [SHIPPED_FOLDER] + ([folder] if folder is not None else [])
    return tuple(sorted({path.stem for place in folders for path in place.glob("*.toml")}))


def load_profile(name: str, folder: Path | None = None) -> Profile:
    """Load and check the profile ``name``.

    Parameters
    ----------
    name
        File name without ``.toml``.
    folder
        The shop's own profiles, looked at first.

    Raises
    ------
    DataFileError
        There is none of that name, or its file does not hold what a profile must.
    """
    names = profile_names(folder)
    if name not in names:
        near = get_close_matches(name, names, n=1, cutoff=0.3) or names[:1]
        raise DataFileError(
            f"There is no instrument profile {name!r}; the nearest is {near[0]!r}, "
            f"all are: {', '.join(names)}."
        )
    own = folder / f"{name}.toml" if folder is not None else None
    return _read(own if own is not None and own.exists() else SHIPPED_FOLDER / f"{name}.toml")


def load_meter_profile(name: str, folder: Path | None = None) -> MeterProfile:
    """Load a profile that must be a meter's; `DataFileError` when it is not."""
    profile = load_profile(name, folder)
    if not isinstance(profile, MeterProfile):
        raise DataFileError(f"The profile {name!r} is for a pull tester; choose one for a meter.")
    return profile


def load_tester_profile(name: str, folder: Path | None = None) -> PullTesterProfile:
    """Load a profile that must be a pull tester's; `DataFileError` when it is not."""
    profile = load_profile(name, folder)
    if not isinstance(profile, PullTesterProfile):
        raise DataFileError(f"The profile {name!r} is for a meter; choose one for a pull tester.")
    return profile


def _read(path: Path) -> Profile:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        return _READER.validate_python(content)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"][1:]) or "kind"
        raise DataFileError(
            f"In the profile {path}, {place} is wrong: {first['msg']}. Correct the file."
        ) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(
            f"The profile {path} cannot be read: {error}. Correct or replace the file."
        ) from error
