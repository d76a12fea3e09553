"""The pull tester: a stream of forces, recorded from before the pull to after the break."""

import re
import threading
from collections.abc import Callable, Generator
from contextlib import closing
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.saying import say
from station.errors import InstrumentRefused, PortLost
from station.instruments.dialects import PeakRegister
from station.instruments.force_lines import ForceLines, ForceSample
from station.instruments.force_source import ForceSource
from station.instruments.framing import Identity, parse_identity, parse_number, text_of
from station.instruments.port import LinePort
from station.instruments.profiles import PullTesterProfile
from station.instruments.recording import (
    EndedBy,
    PullLimits,
    PullWatch,
    TimeFrom,
    clock_steps,
    time_axis,
)

Numbers = NDArray[np.int64]
Times = NDArray[np.float64]

_REGISTER_ZERO_DIGITS = 20
"""A cleared peak register may show so many last digits, or the preload."""


@dataclass(frozen=True, slots=True, eq=False)
class ForceTrace:
    """A recorded pull.

    ``time_s`` and ``force_n`` have the shape (n,). Time 0 is the first sample above the preload,
    so what came before is negative; without such a sample it is the first one kept.
    """

    time_s: NDArray[np.float64]
    force_n: NDArray[np.float64]
    time_from: TimeFrom
    """``counter``: sample number over the profile's rate; ``device``: the tester's own clock;
    ``arrival``: fitted arrival times; ``polls``: arrival times as they are."""
    arrival_rate_hz: float
    """Samples per second by this computer's clock; NaN when there are too few."""
    lost_samples: int
    """Samples missing between the first and the last: lost by the counter, or unreadable."""
    unit: str
    """As the tester named it; forces are in newton all the same."""
    unit_assumed: bool
    overload: bool
    ended_by: EndedBy
    register_peak_n: float | None = None
    """The tester's own peak register after the pull, in N; null where it has none."""
    void_reason: str | None = None
    """Why the bench cannot judge it; null where it can, or nobody has looked yet."""


class PullTester:
    """A pull tester on an open port. It only listens: nothing here moves anything."""

    def __init__(self, port: LinePort, profile: PullTesterProfile) -> None:
        self._port = port
        self._profile = profile
        self._dialect = profile.dialect
        self._source = ForceSource(port, profile)

    def identify(self) -> Identity:
        """Ask the tester who it is; an identity with empty fields where the profile has no words.

        Raises
        ------
        InstrumentSilent
            No answer among the forces that it sends.
        """
        if self._dialect.identify_query is None:
            return Identity("")
        return self._source.ask(self._dialect.identify_query, self._identity_in)

    def _identity_in(self, data: bytes) -> Identity | None:
        pattern = self._dialect.identity
        if pattern is None:
            forces = ForceLines(self._profile, self._port.name)
            return None if forces.matches(data) else parse_identity(data)
        match = re.fullmatch(pattern.encode("ascii"), data)
        if match is None:
            return None
        named = {name: (text or b"").decode("ascii") for name, text in match.groupdict().items()}
        return Identity(data.decode("ascii", "backslashreplace"), **named)

    def check_alive(self) -> ForceSample:
        """Return a force that was sent just now.

        Raises
        ------
        InstrumentSilent, InstrumentGarbled, PortLost
            No force came, or none that the profile can read.
        """
        with closing(self.samples()) as samples:
            return next(samples)

    def samples(self) -> Generator[ForceSample, None, None]:
        """Yield forces as they come, without end; close it to make the tester stop.

        Raises
        ------
        InstrumentSilent, InstrumentGarbled, PortLost
            As `check_alive`.
        """
        lines = ForceLines(self._profile, self._port.name)
        try:
            self._source.begin()
            while True:
                sample = self._source.next_sample(lines)
                if sample is not None:
                    yield sample
        finally:
            self._source.finish()

    def record(
        self,
        on_sample: Callable[[ForceSample], None],
        stop: threading.Event,
        limits: PullLimits,
    ) -> ForceTrace:
        """Record one pull, from now until it is over.

        Parameters
        ----------
        on_sample
            Called with each sample as it arrives, for a live display.
        stop
            Set it to end the recording.
        limits
            What begins and ends it.

        Raises
        ------
        InstrumentRefused
            The tester's peak register could not be cleared.
        PortLost, InstrumentSilent, InstrumentGarbled
            The tester went away, fell silent, restarted, or changed its unit: the pull is void.
        """
        rate_hz = self._profile.sampling.sample_rate_hz
        watch = PullWatch(limits, rate_hz, self._profile.force.capacity_n)
        lines = ForceLines(self._profile, self._port.name)
        register = self._dialect.peak
        try:
            if register is not None:
                self._clear_register(register, limits.preload_n)
            self._source.begin()
            ended_by = self._listen(lines, watch, on_sample, stop)
            register_n = None if register is None else self._read_register(register)
        except PortLost as error:
            raise PortLost(
                "The {name} on {url} was lost during the pull, at a peak of {peak_n:.1f} "
                "N so far: this pull is void. Reconnect it and pull a new sample.",
                name=say(self._port.name),
                url=self._port.url,
                peak_n=watch.peak_n,
            ) from error
        finally:
            self._source.finish()
        return self._trace(lines, watch, ended_by, register_n)

    def _listen(
        self,
        lines: ForceLines,
        watch: PullWatch,
        on_sample: Callable[[ForceSample], None],
        stop: threading.Event,
    ) -> EndedBy:
        rate_hz = self._profile.sampling.sample_rate_hz
        while not stop.is_set():
            sample = self._source.next_sample(lines)
            if sample is None:
                continue
            on_sample(sample)
            ended_by = watch.add(sample, sample.index / rate_hz if lines.counted else sample.at_s)
            if ended_by is not None:
                return ended_by
        return "stopped"

    def _clear_register(self, register: PeakRegister, preload_n: float) -> None:
        self._source.send(register.clear)
        left_n = self._read_register(register)
        most_n = max(preload_n, _REGISTER_ZERO_DIGITS * self._profile.force.resolution_n)
        if abs(left_n) > most_n:
            raise InstrumentRefused(
                "The peak register of the {name} still shows {left_n:.1f} N after it was "
                "cleared; take the load off, zero the tester, and pull again.",
                name=say(self._port.name),
                left_n=left_n,
            )

    def _read_register(self, register: PeakRegister) -> float:
        pattern = re.compile(register.reply.encode("ascii"))

        def force_n(data: bytes) -> float | None:
            match = pattern.fullmatch(data)
            if match is None:
                return None
            fields = match.groupdict()
            unit = text_of(fields.get("unit")) or self._dialect.assumed_unit
            factor = self._dialect.units.get(unit or "")
            if factor is None:
                return None
            return self._dialect.tension_sign * parse_number(fields["force"] or b"") * factor

        return self._source.ask(register.query, force_n)

    def _time_from(self, lines: ForceLines, device_s: NDArray[np.float64]) -> TimeFrom:
        if self._dialect.poll is not None:
            return "polls"
        if len(device_s) and np.isfinite(device_s).all():
            return "device"
        return "counter" if lines.counted else "arrival"

    def _trace(
        self, lines: ForceLines, watch: PullWatch, ended_by: EndedBy, register_n: float | None
    ) -> ForceTrace:
        samples = watch.samples
        index = np.array([sample.index for sample in samples], dtype=np.int64)
        arrival_s = np.array([sample.at_s for sample in samples], dtype=np.float64)
        # A missing time becomes NaN.
        device_s = np.array([sample.device_s for sample in samples], dtype=np.float64)
        time_from = self._time_from(lines, device_s)
        begin = int(np.searchsorted(index, watch.begin_index or 0))
        index, void_reason = self._clock_checked(index, arrival_s, time_from, device_s)
        times_s, arrival_rate_hz = time_axis(
            index,
            arrival_s,
            time_from,
            self._profile.sampling.sample_rate_hz,
            begin,
            device_s,
        )
        return ForceTrace(
            time_s=times_s,
            force_n=np.array([sample.force_n for sample in samples], dtype=np.float64),
            time_from=time_from,
            arrival_rate_hz=arrival_rate_hz,
            lost_samples=int(index[-1] - index[0]) + 1 - len(index) if len(index) else 0,
            unit=lines.unit,
            unit_assumed=lines.unit_assumed,
            overload=watch.overload,
            ended_by=ended_by,
            register_peak_n=register_n,
            void_reason=void_reason,
        )

    def _clock_checked(
        self, index: Numbers, arrival_s: Times, time_from: TimeFrom, device_s: Times
    ) -> tuple[Numbers, str | None]:
        """Sample numbers with silent losses counted, and why the pull is void by its clocks."""
        rate_hz = self._profile.sampling.sample_rate_hz
        jitter_s = self._profile.sampling.jitter_s + 1.5 / rate_hz
        steps = [] if time_from == "polls" else clock_steps(index / rate_hz, arrival_s, jitter_s)
        if time_from == "arrival":
            # Only lines are counted: where none came for a while, some are missing.
            for at, step_s in steps:
                index[at:] += max(0, round(step_s * rate_hz))
            return index, None
        at_odds = bool(steps)
        if time_from == "device":
            stands = bool((np.diff(device_s) <= 0.0).any())
            at_odds |= stands or bool(clock_steps(device_s, arrival_s, jitter_s))
        if not at_odds:
            return index, None
        return index, say(
            "the tester's count or clock and the time at which its lines came do not agree: "
            "lines were lost on the way, or it is not well; look at cable and tester, and repeat"
        )
