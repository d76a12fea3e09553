"""The bench's instruments on their ports: opened when needed, opened again after a loss."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from station.errors import BadInput, InstrumentError
from station.instruments.force_lines import ForceSample
from station.instruments.meter import Meter
from station.instruments.port import LinePort
from station.instruments.profiles import (
    LineSettings,
    MeterProfile,
    PullTesterProfile,
    load_meter_profile,
    load_tester_profile,
)
from station.instruments.pull_tester import ForceTrace, PullTester
from station.ledger.entries import InstrumentUsed
from station.sample_record import ForceWorth, OhmWorth
from station.settings import InstrumentSettings

Role = Literal["meter", "tester"]

NAMES: dict[Role, str] = {"meter": "milliohm meter", "tester": "pull tester"}
"""What people call them."""

SETTLE_FRACTION = 0.005
SETTLE_OHM = 5e-6
MAX_READS = 40
END_FRACTION = 0.3
END_TIME_S = 0.4
MAX_PULL_S = 120.0


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """One instrument as the page lists it; ``trouble`` says what is wrong, if anything."""

    role: Role
    name: str
    profile: str
    port: str
    identity: str | None
    trouble: str | None
    simulated: bool


@dataclass(frozen=True, slots=True)
class RecordedPull:
    """A pull as recorded: shape (n,) each; ``void_reason`` where it cannot be judged."""

    time_s: NDArray[np.float64]
    force_n: NDArray[np.float64]
    void_reason: str | None


class BayMeter:
    """A configured meter and what its readings are worth."""

    def __init__(
        self, bay: "InstrumentBay", meter: Meter, profile: MeterProfile, range_ohm: float
    ) -> None:
        self._bay = bay
        self._meter = meter
        accuracy = profile.accuracy
        self.worth = OhmWorth(
            accuracy.percent_of_reading,
            accuracy.percent_of_range,
            range_ohm,
            accuracy.resolution_ohm,
        )

    def read_repeats(self, repeats: int) -> list[float]:
        """Settled readings, in ohm."""
        with self._bay.watching("meter"):
            readings = self._meter.read_settled(repeats, SETTLE_FRACTION, SETTLE_OHM, MAX_READS)
        return [reading.value_ohm for reading in readings]


class BayTester:
    """A pull tester that was heard, and what its forces are worth."""

    def __init__(
        self, bay: "InstrumentBay", tester: PullTester, profile: PullTesterProfile
    ) -> None:
        self._bay = bay
        self._tester = tester
        self.worth = ForceWorth(
            profile.force.percent_of_reading,
            profile.force.resolution_n,
            profile.sampling.filter_hz,
            profile.force.capacity_n,
        )

    def record(
        self, on_force: Callable[[float], None], stop: threading.Event, preload_n: float
    ) -> RecordedPull:
        """Record one pull."""

        def show(sample: ForceSample) -> None:
            if sample.force_n is not None:
                on_force(sample.force_n)

        with self._bay.watching("tester"):
            trace = self._tester.record(
                show,
                stop,
                preload_n=preload_n,
                end_fraction=END_FRACTION,
                end_time_s=END_TIME_S,
                max_time_s=MAX_PULL_S,
            )
        return RecordedPull(trace.time_s, trace.force_n, _why_void(trace))


def _why_void(trace: ForceTrace) -> str | None:
    if trace.overload:
        return "the force came near the tester's capacity: use a larger tester for this wire"
    return {
        "no specimen": "no force came: no sample was in the grips",
        "time ran out": f"the pull was not over after {MAX_PULL_S:g} s",
        "stopped": "the recording was stopped",
    }.get(trace.ended_by)


class InstrumentBay:
    """The two instruments of a bench.

    Parameters
    ----------
    meter, tester
        Where they hang; None where the bench has none.
    """

    def __init__(self, meter: InstrumentSettings | None, tester: InstrumentSettings | None) -> None:
        self._settings: dict[Role, InstrumentSettings | None] = {"meter": meter, "tester": tester}
        self._ports: dict[Role, LinePort] = {}
        self._identity: dict[Role, str] = {}
        self._trouble: dict[Role, str] = {}
        # A misspelt profile is found now, not at the first sample.
        if meter is not None:
            load_meter_profile(meter.profile)
        if tester is not None:
            load_tester_profile(tester.profile)

    @property
    def simulated(self) -> bool:
        """True where any instrument is simulated."""
        return any(settings.simulated for settings in self._settings.values() if settings)

    def lines(self) -> list[InstrumentLine]:
        """One line per instrument that the bench has."""
        return [
            InstrumentLine(
                role,
                NAMES[role],
                settings.profile,
                settings.port,
                self._identity.get(role),
                self._trouble.get(role),
                settings.simulated,
            )
            for role, settings in self._settings.items()
            if settings is not None
        ]

    def used(self, role: Role) -> InstrumentUsed:
        """What the record says of the instrument that made a number."""
        settings = self._required(role)
        return InstrumentUsed(
            profile=settings.profile,
            identity=self._identity.get(role, ""),
            port=settings.port,
            simulated=settings.simulated,
        )

    def meter(self, expected_ohm: float) -> BayMeter:
        """The meter, heard and set up for resistances up to ``expected_ohm``.

        Raises
        ------
        InstrumentError
            It is not there, does not answer, or is not set as told.
        """
        settings = self._required("meter")
        profile = load_meter_profile(settings.profile)
        with self.watching("meter"):
            meter = Meter(self._open("meter", profile.line), profile)
            self._identity["meter"] = meter.identify().raw
            configured = meter.configure(expected_ohm)
        return BayMeter(self, meter, profile, configured.range_ohm or expected_ohm)

    def tester(self) -> BayTester:
        """The pull tester, heard just now.

        Raises
        ------
        InstrumentError
            It is not there, is silent, or speaks another dialect.
        """
        settings = self._required("tester")
        profile = load_tester_profile(settings.profile)
        with self.watching("tester"):
            tester = PullTester(self._open("tester", profile.line), profile)
            self._identity["tester"] = tester.identify().raw
            tester.check_alive()
        return BayTester(self, tester, profile)

    def close(self) -> None:
        """Release both ports."""
        for port in self._ports.values():
            port.close()
        self._ports.clear()

    def _required(self, role: Role) -> InstrumentSettings:
        settings = self._settings[role]
        if settings is None:
            raise BadInput(f"No {NAMES[role]} is set: name its port and profile in the settings.")
        return settings

    def _open(self, role: Role, line: LineSettings) -> LinePort:
        port = self._ports.get(role)
        if port is None:
            port = LinePort(self._required(role).port, line, name=NAMES[role])
            self._ports[role] = port
        port.open()
        return port

    @contextmanager
    def watching(self, role: Role) -> Iterator[None]:
        """Note what goes wrong, for the page; a lost port is closed, to be opened anew."""
        try:
            yield
        except InstrumentError as error:
            self._trouble[role] = str(error)
            if port := self._ports.pop(role, None):
                port.close()
            raise
        self._trouble.pop(role, None)
