"""The bench's instruments on their ports: opened when needed, kept connected, found again."""

import itertools
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace

from calibration.saying import say
from calibration.standing import INSTRUMENT_WORDS, InstrumentKind
from calibration.worth import ForceWorth, OhmWorth
from station.errors import BadInput, InstrumentError, NoReading
from station.instruments.byte_log import ByteLog
from station.instruments.force_lines import ForceSample
from station.instruments.link import Identify, InstrumentLink, LinkKeeper
from station.instruments.meter import Meter, MeterReading
from station.instruments.port import LinePort
from station.instruments.profiles import Profile, load_meter_profile, load_tester_profile
from station.instruments.pull_tester import ForceTrace, PullTester
from station.instruments.recording import PullLimits
from station.settings import InstrumentSettings, Settings

SETTLE_FRACTION = 0.005
SETTLE_OHM = 5e-6
MAX_READS = 40
END_FRACTION = 0.3
END_TIME_S = 0.4
MAX_PULL_S = 300.0
"""Long enough to grip, pull up, and hold a force for its minute."""

CAPACITY_REACHED = say(
    "the force came near the tester's capacity: use a larger tester for this wire"
)
STOPPED = say("the recording was stopped")

Reverse = Callable[[bool], None]
"""Turns the relay that reverses a meter's test current; called with True for reversed."""


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """One instrument as the page lists it; ``trouble`` says what is wrong, if anything."""

    role: InstrumentKind
    name: str
    profile: str
    port: str
    identity: str | None
    trouble: str | None
    simulated: bool
    guarded_by: str | None = None
    """A tester's `TesterDialect.guarded_by`; None for a meter."""

    @property
    def known_as(self) -> str:
        """How the record calls it: as it names itself, else by its profile."""
        return self.identity or self.profile


@dataclass
class BayMeter:
    """A configured meter and what its readings are worth."""

    bay: "InstrumentBay"
    meter: Meter
    worth: OhmWorth
    test_current_a: float | None
    same_as_before: bool = False
    """Whether every latest repeat is, to the last digit, what was read the time before."""
    last_reading: MeterReading | None = None
    """The last of the latest repeats: how it was taken."""

    def read_repeats(
        self, repeats: int, on_reading: Callable[[float], None] = lambda _ohm: None
    ) -> list[float]:
        """Settled readings in ohm; each one on the way there is handed to ``on_reading``."""
        with self.bay.using("meter"):
            readings = self.meter.read_settled(
                repeats,
                SETTLE_FRACTION,
                SETTLE_OHM,
                MAX_READS,
                lambda reading: on_reading(reading.value_ohm),
            )
        self.last_reading = readings[-1]
        found = [reading.value_ohm for reading in readings]
        self.same_as_before = set(found) == {self.bay.last_ohm}
        self.bay.last_ohm = found[-1]
        return found


@dataclass
class BayTester:
    """A pull tester that was heard, and what its forces are worth."""

    bay: "InstrumentBay"
    tester: PullTester
    worth: ForceWorth

    def record(
        self, on_force: Callable[[float, float], None], stop: threading.Event, preload_n: float
    ) -> ForceTrace:
        """Record one pull; ``on_force`` is called with arrival time in s and force in newton."""

        def show(sample: ForceSample) -> None:
            if sample.force_n is not None:
                on_force(sample.at_s, sample.force_n)

        with self.bay.using("tester"):
            limits = PullLimits(preload_n, END_FRACTION, END_TIME_S, MAX_PULL_S)
            trace = self.tester.record(show, stop, limits)
        return replace(trace, void_reason=trace.void_reason or _why_void(trace))

    def read_forces(self, count: int) -> list[float]:
        """Forces in newton as they come, ``count`` of them.

        Raises
        ------
        InstrumentError
            The tester went away, fell silent, or is overloaded.
        """
        with self.bay.using("tester"), closing(self.tester.samples()) as samples:
            forces = [sample.force_n for sample in itertools.islice(samples, count)]
        found = [force_n for force_n in forces if force_n is not None]
        if len(found) < count:
            raise NoReading(
                "The pull tester is overloaded: take the load off before anything else."
            )
        return found


def _why_void(trace: ForceTrace) -> str | None:
    if trace.overload:
        return CAPACITY_REACHED
    return {
        "no specimen": say("no force came: no sample was in the grips"),
        "time ran out": say("the pull was not over after {max_pull_s:g} s", max_pull_s=MAX_PULL_S),
        "stopped": STOPPED,
    }.get(trace.ended_by)


def _patience_s(settings: InstrumentSettings) -> float:
    """What a line may be late by beyond its profile: a simulator's, as its host is busy."""
    return 10.0 if settings.simulated else 0.0


class InstrumentBay:
    """The two instruments of a bench.

    Parameters
    ----------
    settings
        Where they hang; None where the bench has none.
    reverse
        Turns the relay that reverses the meter's current, where the bench has one.

    Attributes
    ----------
    last_ohm
        What the meter read last; None before.

    Raises
    ------
    DataFileError
        A profile does not exist or is wrong: found now, not at the first sample.
    BadInput
        A byte trace cannot be written.
    """

    def __init__(self, settings: Settings, reverse: Reverse | None = None) -> None:
        self._settings: dict[InstrumentKind, InstrumentSettings | None] = {
            "meter": settings.meter,
            "tester": settings.tester,
        }
        self._reverse = reverse
        self.last_ohm: float | None = None
        self._on_change: Callable[[], None] = lambda: None
        self._byte_logs = ExitStack()
        self._keepers: dict[InstrumentKind, LinkKeeper] = {}
        folder = settings.profiles_folder
        if settings.meter is not None:
            meter = load_meter_profile(settings.meter.profile, folder)
            meter = self._meter_profile = meter.waiting(_patience_s(settings.meter))
            self._keep("meter", settings.meter, meter, lambda port: Meter(port, meter).identify())
        if settings.tester is not None:
            tester = load_tester_profile(settings.tester.profile, folder)
            tester = self._tester_profile = tester.waiting(_patience_s(settings.tester))
            self._keep(
                "tester", settings.tester, tester, lambda port: PullTester(port, tester).identify()
            )

    @property
    def simulated(self) -> bool:
        """True where any instrument is simulated."""
        return any(settings.simulated for settings in self._settings.values() if settings)

    def keep_connected(self, on_change: Callable[[], None]) -> None:
        """Connect the instruments now, and again after each loss, in threads of their own.

        ``on_change`` is called, in any thread, when one came or went.
        """
        self._on_change = on_change
        for keeper in self._keepers.values():
            keeper.start()

    def lines(self) -> list[InstrumentLine]:
        """One line per instrument that the bench has."""
        return [
            self.line(role) for role, settings in self._settings.items() if settings is not None
        ]

    def line(self, role: InstrumentKind) -> InstrumentLine:
        """The instrument of one role (InstrumentError where the bench has none)."""
        settings = self._required(role)
        link = self._keepers[role].link
        return InstrumentLine(
            role,
            INSTRUMENT_WORDS[role],
            settings.profile,
            settings.port,
            None if link.identity is None else link.identity.raw,
            link.trouble,
            settings.simulated,
            self._tester_profile.dialect.guarded_by if role == "tester" else None,
        )

    def meter(self, expected_ohm: float) -> BayMeter:
        """The meter, heard and set up for resistances up to ``expected_ohm``.

        Raises
        ------
        InstrumentError
            It is not there, does not answer, or is not set as told.
        """
        self._required("meter")
        with self.using("meter") as link:
            link.connect()
            meter = Meter(link.port, self._meter_profile, reverse=self._reverse)
            range_ohm = meter.configure(expected_ohm) or expected_ohm
        known = self._meter_profile
        return BayMeter(self, meter, known.worth(range_ohm), known.measuring.test_current_a)

    def tester(self) -> BayTester:
        """The pull tester, heard just now.

        Raises
        ------
        InstrumentError
            It is not there, is silent, or speaks another dialect.
        """
        self._required("tester")
        with self.using("tester") as link:
            link.connect()
            tester = PullTester(link.port, self._tester_profile)
            tester.check_alive()
        return BayTester(self, tester, self._tester_profile.worth)

    def close(self) -> None:
        """Release both ports; may be called any number of times."""
        self._on_change = lambda: None
        for keeper in self._keepers.values():
            keeper.close()
        self._byte_logs.close()

    @contextmanager
    def using(self, role: InstrumentKind) -> Iterator[InstrumentLink]:
        """Have an instrument for oneself; what goes wrong is noted, and it is looked for anew."""
        with self._keepers[role].use() as link:
            try:
                yield link
            except InstrumentError as error:
                link.close(str(error))
                raise

    def _keep(
        self,
        role: InstrumentKind,
        settings: InstrumentSettings,
        profile: Profile,
        identify: Identify,
    ) -> None:
        trace = settings.byte_trace
        log = None if trace is None else self._byte_logs.enter_context(ByteLog(trace))
        port = LinePort(settings.port, profile.line, name=INSTRUMENT_WORDS[role], on_bytes=log)
        link = InstrumentLink(port, identify, bound_serial=settings.serial_number)
        self._keepers[role] = LinkKeeper(link, lambda: self._on_change())

    def _required(self, role: InstrumentKind) -> InstrumentSettings:
        settings = self._settings[role]
        if settings is None:
            raise BadInput(
                "No {names} is set: name its port and profile in the settings, or use "
                "simulated instruments (--simulate).",
                names=INSTRUMENT_WORDS[role],
            )
        return settings
