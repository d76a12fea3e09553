"""What the drivers know about an instrument: one TOML file per kind, checked when it is loaded.

A profile holds the line settings, the words the instrument speaks and what its numbers are worth.
A shop keeps its own profiles in a folder; a name found there goes before one that ships.
"""

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar, get_args

from pydantic import Field, TypeAdapter, ValidationError, model_validator

from calibration.worth import ForceWorth, OhmWorth
from station.crimp.in_force import Facts, NotNegative, Positive
from station.errors import DataFileError, InstrumentGarbled
from station.files import first_fault, read_text, unread
from station.instruments.dialects import (
    LineSettings,
    MeterDialect,
    ReadingPattern,
    TesterDialect,
)
from station.instruments.framing import parse_number, show, text_of

THERMAL_U_V = 5e-6
"""Standard uncertainty of what clips of unlike metal add, in V: that of 1 K across one soldered
joint [common practice, no source]."""

SHIPPED_FOLDER = Path(__file__).parent / "profiles"


class MeasuringCommands(Facts):
    """How the meter is set to measure, and which answers are no readings."""

    nplc: Positive
    """Integration time in periods of the mains."""
    mains_frequency_hz: Positive = 50.0
    autozero: bool = True
    offset_compensation: bool
    """True when thermal voltages are cancelled by measuring with the current off or reversed."""
    test_current_a: Positive | None = None
    """On the ranges that are used here, where it is known."""
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


class MeterAccuracy(Facts):
    """The meter's own statement of its error bounds: of reading, of range, and the last digit."""

    percent_of_reading: NotNegative
    percent_of_range: NotNegative
    resolution_ohm: Positive


class MeterProfile(Facts):
    """A four-wire milliohm meter."""

    kind: Literal["meter"]
    title: str
    source: str
    """Where the numbers come from."""
    line: LineSettings
    dialect: MeterDialect
    measuring: MeasuringCommands
    accuracy: MeterAccuracy

    @model_validator(mode="after")
    def _thermal_voltages_have_their_share(self) -> Self:
        if not self._cancels and self.measuring.test_current_a is None:
            raise ValueError(
                "thermal voltages are not cancelled: give measuring.test_current_a, so that their "
                "share of the uncertainty is known"
            )
        return self

    @property
    def _cancels(self) -> bool:
        return self.measuring.offset_compensation or self.dialect.reversal is not None

    def waiting(self, least_s: float) -> Self:
        """The same meter, given at least so long for an answer."""
        allowed_s = max(least_s, self.measuring.answer_timeout_s)
        measuring = self.measuring.model_copy(update={"answer_timeout_s": allowed_s})
        return self.model_copy(update={"measuring": measuring})

    def worth(self, range_ohm: float) -> OhmWorth:
        """What readings on a range of so many ohm are worth."""
        current_a = self.measuring.test_current_a
        thermal_ohm = 0.0 if self._cancels or current_a is None else THERMAL_U_V / current_a
        return OhmWorth(range_ohm=range_ohm, u_thermal_ohm=thermal_ohm, **dict(self.accuracy))


class Sampling(Facts):
    """How fast the force line is."""

    sample_rate_hz: Positive
    """Lines per second; where the tester is polled, polls per second."""
    filter_hz: Positive | None = None
    """Corner of the tester's own low-pass filter, where it is known."""
    silence_s: Positive = 2.0
    """Without a line for this long the tester counts as silent."""
    jitter_s: Positive = 0.15
    """How far the arrival of a line may stray from the tester's own count or clock."""


class ForceAccuracy(Facts):
    """What a force from this tester is worth."""

    resolution_n: Positive
    capacity_n: Positive
    percent_of_reading: NotNegative


_PATIENT = ("silence_s", "jitter_s")


class PullTesterProfile(Facts):
    """A pull tester."""

    kind: Literal["pull_tester"]
    title: str
    source: str
    line: LineSettings
    dialect: TesterDialect
    sampling: Sampling
    force: ForceAccuracy

    def waiting(self, least_s: float) -> Self:
        """The same tester, silent or at odds with its clock only after at least so long."""
        slack = {name: max(least_s, getattr(self.sampling, name)) for name in _PATIENT}
        return self.model_copy(update={"sampling": self.sampling.model_copy(update=slack)})

    @property
    def worth(self) -> ForceWorth:
        """What its forces are worth."""
        return ForceWorth(filter_hz=self.sampling.filter_hz, **dict(self.force))


class CaliperProfile(Facts):
    """A caliper or crimp micrometer with a data button."""

    kind: Literal["caliper"]
    title: str
    source: str
    line: LineSettings
    reply: ReadingPattern
    units: dict[str, Positive]
    """Each unit word in m; the empty one for a line that names none."""

    def size_m(self, data: bytes) -> float:
        """Read a line (InstrumentGarbled where its number or unit cannot be read)."""
        match = re.fullmatch(self.reply.encode("ascii"), data)
        factor = match and self.units.get(text_of(match.groupdict().get("unit")))
        if match is None or factor is None:
            raise InstrumentGarbled(
                "The caliper sent {data}, which its profile cannot read: look at its unit, or type "
                "what it shows.",
                data=show(data),
            )
        return parse_number(match["value"]) * factor


Profile = MeterProfile | PullTesterProfile | CaliperProfile
Kind = TypeVar("Kind", MeterProfile, PullTesterProfile, CaliperProfile)
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
    path = (folder or SHIPPED_FOLDER) / f"{name}.toml"
    if not path.exists():
        path = SHIPPED_FOLDER / f"{name}.toml"
    return read_profile(path, str(path))


def load_of_kind(model: type[Kind], name: str, folder: Path | None) -> Kind:
    """Load a profile that must be of one kind; `DataFileError` when it is not."""
    profile = load_profile(name, folder)
    if not isinstance(profile, model):
        found, (wanted,) = profile.kind, get_args(model.model_fields["kind"].annotation)
        words = f"The profile {name!r} is for a {found}; choose one for a {wanted}."
        raise DataFileError(words.replace("_", " "))
    return profile


def load_meter_profile(name: str, folder: Path | None = None) -> MeterProfile:
    """Load a profile that must be a meter's; `DataFileError` when it is not."""
    return load_of_kind(MeterProfile, name, folder)


def load_tester_profile(name: str, folder: Path | None = None) -> PullTesterProfile:
    """Load a profile that must be a pull tester's; `DataFileError` when it is not."""
    return load_of_kind(PullTesterProfile, name, folder)


def read_profile(source: str | Path, where: str) -> Profile:
    """Read a profile from its file, or from the text of it; ``where`` names it in messages.

    Raises
    ------
    DataFileError
        It does not hold what a profile must.
    """
    try:
        text = source if isinstance(source, str) else read_text(source)
        return _READER.validate_python(tomllib.loads(text))
    except ValidationError as error:
        raise DataFileError(
            f"In the profile {where}, {first_fault(error, skip=1)}: correct the file."
        ) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(
            f"The profile {where} cannot be read: {unread(error)}. Correct or replace the file."
        ) from error
