"""The station's settings: declared once, read from one TOML file, unknown keys refused."""

import os
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from station.crimp.in_force import Facts, LimitsInForce, NotNegative, Positive
from station.crimp.verdict import DEFAULT_GUARD
from station.files import read_toml

InputPin = Annotated[int, Field(ge=2, le=27)]
OutputPin = Annotated[int, Field(ge=9, le=27)]
"""GPIO0 to 8 are pulled up until the station starts, which would light a lamp."""

SUGGESTED_RELAY_GPIO = 27
"""Where the wiring notes put the current-reversal relay of a bench that has one."""

ANY_ADDRESS = "0.0.0.0"  # noqa: S104
"""As ``host``: every address of this machine."""


class PanelPins(Facts):
    """GPIO numbers (not places on the header) of the panel; None where nothing is wired.

    A settings file, which has no word for None, says ``false``. Outputs are on pins that are pulled
    down until the station starts, so that lamps stay dark.
    """

    footswitch: InputPin | None = 5
    guard: InputPin | None = 6
    lamp_ready: OutputPin | None = 17
    lamp_pass: OutputPin | None = 22
    lamp_fail: OutputPin | None = 23
    lamp_attention: OutputPin | None = 24
    buzzer: OutputPin | None = 25
    current_reversal_relay: OutputPin | None = None

    @field_validator("*", mode="before")
    @classmethod
    def _false_is_not_wired(cls, value: object) -> object:
        return None if value is False else value

    @model_validator(mode="after")
    def _one_use_each(self) -> Self:
        used: dict[int, str] = {}
        for name, gpio in self.wired().items():
            if gpio in used:
                raise ValueError(f"GPIO{gpio} is given to {used[gpio]} and to {name}")
            used[gpio] = name
        return self

    def wired(self) -> dict[str, int]:
        """Return what is wired, by name."""
        pins: dict[str, int | None] = self.model_dump()
        return {name: gpio for name, gpio in pins.items() if gpio is not None}


class InstrumentSettings(Facts):
    """Which instrument hangs on which port."""

    port: str
    """Device or pyserial URL; names under ``/dev/serial/by-id`` survive replugging."""
    profile: str
    """Name of a profile in ``station/instruments/profiles``."""
    simulated: bool = False
    """Marks every record; set by ``--simulate``, which also starts the simulator."""
    serial_number: str | None = None
    """The serial number that must answer here; another one is refused. None binds none."""
    byte_trace: Path | None = None
    """A file to which every byte that passes is appended, to see what an instrument really says."""


class FixtureSettings(Facts):
    """Where the sense clips sit, and how well that is known (standard uncertainties)."""

    span_m: Positive = 0.080
    """From sense clip A to sense clip B as the family is drawn, the joint included."""
    u_span_m: NotNegative = 0.0005
    spans_mm: dict[str, Positive] = Field(default_factory=dict)
    """Spans of families, by their id, that are not ``span_m``."""
    temperature_c: float | None = None
    """Wire temperature where it is known; None means that nothing is corrected."""
    u_temperature_k: NotNegative = 3.0
    temperature_file: Path | None = None
    """A sensor that Linux offers as a file (iio, hwmon or w1); it is read with every sample."""
    u_sensor_k: NotNegative = 1.0
    """Of the wire by that sensor: half a kelvin of its own, and the air is not the wire."""
    crosshead_mm_per_min: Positive | None = None
    """How fast the pull stand moves, where it states it; None for a pull by hand."""
    insulation_grip: Literal["included", "excluded"] | None = None
    """Whether samples are pulled with their insulation grip closed; None is not stated."""
    u_reclip_ohm: NotNegative = 0.0
    """What clipping on anew moves a reading by, from a re-clipping study; 0 where none was made."""
    reclip_dof: Positive | None = None
    """Degrees of freedom of that study; None for many."""

    @model_validator(mode="before")
    @classmethod
    def _wire_is_a_reel(cls, given: Any) -> Any:
        if isinstance(given, dict) and "wire_u_fraction" in given:
            raise ValueError(
                "wire_u_fraction is no setting any more, delete it: the wire's share comes from "
                "its reel on record, else from the band that its standard allows"
            )
        return given

    @field_validator("spans_mm")
    @classmethod
    def _families(cls, spans_mm: dict[str, float]) -> dict[str, float]:
        from station.crimp.facts import shipped_book  # only where a family is named

        known = {family.replace(" ", "-"): family for family in shipped_book().families}
        for name in spans_mm:
            if name.replace(" ", "-") not in known:
                raise ValueError(f"there is no family {name[:40]!r}: there are {', '.join(known)}")
        return {known[name.replace(" ", "-")]: span for name, span in spans_mm.items()}

    def span_of(self, family: str) -> float:
        """From sense clip A to sense clip B of a family, in metres."""
        return self.spans_mm.get(family, 1e3 * self.span_m) * 1e-3


class CaliperSettings(Facts):
    """The caliper, or crimp micrometer, by which crimps are measured before they are pulled."""

    sheets_folder: Path
    """The terminals' data sheets, one file each: joints that one is for are measured."""
    accuracy_mm: Positive
    """Largest error, as ``stated_in`` has it; no check or calibration here stands in for it."""
    resolution_mm: Positive
    stated_in: Annotated[str, Field(min_length=1, max_length=200)]
    """Where its accuracy is from: its manual, or its certificate by number and date."""
    port: str | None = None
    """Of one that sends what it shows when its button is pressed; None where that is typed."""
    profile: str = "caliper-plain"


class DoorSettings(Facts):
    """Who can reach the page, and how long a sign-in lasts."""

    hosts: tuple[Annotated[str, Field(min_length=1, max_length=253)], ...] = ()
    """Further names and addresses that the page is reached by, such as ``bench.lan``."""
    behind_proxy: bool = False
    """True where exactly one reverse proxy, with HTTPS, stands before the page; its word on who
    asks is believed then."""
    idle_minutes: Annotated[float, Field(ge=1.0, le=480.0)] = 20.0
    longest_hours: Annotated[float, Field(ge=0.1, le=24.0)] = 10.0


class ShareSettings(Facts):
    """The PostgreSQL to which this bench copies its record; see firmware_notes/shared.md."""

    database: str = "postgresql://"
    """Its address, without a password; what it leaves out comes from the PG variables."""
    passfile: Path | None = None
    """A passfile of mode 0600; None where the PG variables or ``~/.pgpass`` have the password."""


class PhotoSettings(Facts):
    """Photos of samples, taken through the page."""

    keep_megabytes: Annotated[int, Field(ge=0, le=100_000)] = 0
    """How much of the ledger photos may take; 0 asks nobody for any. Where that is used up, the
    oldest of passed samples make room; all others are kept."""


class Settings(Facts):
    """Everything that a bench can set."""

    bench: Annotated[str, Field(min_length=1, max_length=40)] = "bench-1"
    ledger: Path | None = None
    """Where the record is kept; None means ``station.ledger`` in the data folder."""
    meter: InstrumentSettings | None = None
    tester: InstrumentSettings | None = None
    profiles_folder: Path | None = None
    """The shop's own instrument profiles, looked at before the shipped ones."""
    caliper: CaliperSettings | None = None
    """None where no crimp is measured for its height: then none is asked for."""
    panel: PanelPins | None = None
    """Pins of the footswitch, guard and lamps; None where the bench has no panel."""
    fixture: FixtureSettings = FixtureSettings()
    guard: NotNegative = DEFAULT_GUARD
    limits: LimitsInForce = LimitsInForce()
    """The limits in force: which sets judge, and whether an instrument is missing."""
    limit_sets_folder: Path | None = None
    connectors_folder: Path | None = None
    """The shop's own connectors, beside the shipped ones."""
    plans_folder: Path | None = None
    """The shop's own plans of jobs, beside the shipped ones."""
    daily_plan: str = "daily-check"
    """By which plan nests are checked each day: ``daily-check``, ``daily-check-lean`` or an own."""
    repeats: Annotated[int, Field(ge=3, le=50)] = 5
    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8000
    doors: DoorSettings = DoorSettings()
    share: ShareSettings | None = None
    """The shared record; None where this bench's record stays on the bench."""
    photos: PhotoSettings = PhotoSettings()
    uncalibrated: Literal["block", "mark"] = "mark"
    """What happens to samples while an instrument's calibration is missing or overdue."""
    check_failed: Literal["block", "mark"] = "block"
    """What happens to samples after an instrument's check failed."""
    check_every_h: Positive | None = None
    """Within how many hours an instrument must have passed a check; None demands none."""
    tool_look_every_days: Annotated[int, Field(ge=1, le=3650)] | None = None
    """Within how many days each nest is looked at as a tool: gauge, ratchet, jaws; None asks it of
    nobody."""
    standards_folder: Path | None = None
    """Where the records of the shop's reference standards are kept, one file each."""
    latitude_deg: Annotated[float, Field(ge=-90.0, le=90.0)] | None = None
    """Of the bench: what a hung weight pulls with depends on it."""
    height_m: Annotated[float, Field(ge=-500.0, le=9000.0)] = 0.0
    """Of the bench above the sea."""
    wear_watch_run_length: Annotated[float, Field(ge=50.0, le=1_000_000.0)] = 5_000
    """One false alarm in about so many samples of a nest, force and resistance together; where
    crimp heights are measured, one more in about so many of each joint."""

    @model_validator(mode="before")
    @classmethod
    def _one_set_judges_no_more(cls, given: object) -> object:
        if isinstance(given, dict) and "limit_set" in given:
            raise ValueError(
                "limit_set is not used any more, since one set seldom judges pull and resistance: "
                "take it out to be judged by the shipped choice, or name your sets under "
                '[limits.awg_and_sae] and [limits.mm2], as pull = ["ID"] and resistance = ["ID"]'
            )
        return given

    @property
    def open_to_this_machine_only(self) -> bool:
        """Whether nobody on another machine can reach the page."""
        return is_loopback(self.host) and not self.doors.behind_proxy


def is_loopback(host: str) -> bool:
    """Whether an address is that of this machine to itself."""
    try:
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


def data_folder() -> Path:
    """Where ledgers live: ``STATION_HOME``, else the user's data folder."""
    if home := os.environ.get("STATION_HOME"):
        return Path(home)
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "crimp-station"


def read_settings(path: Path | None) -> Settings:
    """Read a settings file; the defaults where ``path`` is None.

    Raises
    ------
    DataFileError
        The file cannot be read, has an unknown key (the nearest name is suggested) or a value that
        does not fit.
    """
    return Settings() if path is None else read_toml(path, Settings, called=f"The settings {path}")
