"""The pull tester: a stream of forces, recorded from before the pull to after the break."""

import contextlib
import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from station.errors import InstrumentError, InstrumentGarbled, InstrumentSilent, PortLost
from station.instruments.force_lines import ForceLines, ForceSample
from station.instruments.framing import Identity, parse_identity
from station.instruments.port import LinePort
from station.instruments.profiles import PullTesterProfile
from station.instruments.recording import EndedBy, PullLimits, PullWatch, TimeFrom, time_axis

_MOST_LINES_BEFORE_IDENTITY = 2000


@dataclass(frozen=True, slots=True, eq=False)
class ForceTrace:
    """A recorded pull.

    ``time_s`` and ``force_n`` have the shape (n,). Time 0 is the first sample above the preload,
    so what came before is negative; without such a sample it is the first one kept.
    """

    time_s: NDArray[np.float64]
    force_n: NDArray[np.float64]
    time_from: TimeFrom
    """``counter``: sample number over the profile's rate; ``arrival``: fitted arrival times."""
    arrival_rate_hz: float
    """Samples per second by this computer's clock; NaN when there are too few."""
    lost_samples: int
    """Samples missing between the first and the last: lost by the counter, or unreadable."""
    unit: str
    """As the tester named it; forces are in newton all the same."""
    unit_assumed: bool
    overload: bool
    ended_by: EndedBy


class PullTester:
    """A pull tester on an open port. It only listens: nothing here moves anything."""

    def __init__(self, port: LinePort, profile: PullTesterProfile) -> None:
        self._port = port
        self._profile = profile
        self._dialect = profile.dialect
        self._send_end = profile.line.send_end.encode("ascii")

    def identify(self) -> Identity:
        """Ask the tester who it is; an identity with empty fields where the profile has no words.

        Raises
        ------
        InstrumentSilent
            No answer among the forces that it sends.
        """
        if self._dialect.identify_query is None:
            return Identity("")
        lines = ForceLines(self._profile, self._port.name)
        self._port.discard()
        self._enter_stream()
        self._send(self._dialect.identify_query)
        for _ in range(_MOST_LINES_BEFORE_IDENTITY):
            data = self._next_line_or_bad()
            if data is not None and not lines.matches(data):
                return parse_identity(data)
        raise InstrumentSilent(
            f"The {self._port.name} sends forces and does not say who it is; "
            "check the identify query in its profile."
        )

    def check_alive(self) -> ForceSample:
        """Return a force that was sent just now.

        Raises
        ------
        InstrumentSilent, InstrumentGarbled, PortLost
            No force came, or none that the profile can read.
        """
        lines = ForceLines(self._profile, self._port.name)
        try:
            self._begin()
            while True:
                sample = self._next_sample(lines)
                if sample is not None:
                    return sample
        finally:
            self._finish()

    def record(
        self,
        on_sample: Callable[[ForceSample], None],
        stop: threading.Event,
        *,
        preload_n: float,
        end_fraction: float,
        end_time_s: float,
        max_time_s: float,
    ) -> ForceTrace:
        """Record one pull, from now until it is over.

        Parameters
        ----------
        on_sample
            Called with each sample as it arrives, for a live display.
        stop
            Set it to end the recording.
        preload_n
            The pull has begun when the force stays above this, in N.
        end_fraction, end_time_s
            It is over when the force stays below this part of its peak for this long, in s.
        max_time_s
            It is over after this time in any case, counted from the call.

        Raises
        ------
        BadInput
            A limit makes no sense.
        PortLost, InstrumentSilent, InstrumentGarbled
            The tester went away, fell silent, restarted, or changed its unit: the pull is void.
        """
        limits = PullLimits(preload_n, end_fraction, end_time_s, max_time_s)
        rate_hz = self._profile.sampling.sample_rate_hz
        watch = PullWatch(limits, rate_hz, self._profile.force.capacity_n)
        lines = ForceLines(self._profile, self._port.name)
        try:
            self._begin()
            ended_by = self._listen(lines, watch, on_sample, stop)
        except PortLost as error:
            raise PortLost(
                f"The {self._port.name} on {self._port.url} was lost during the pull, at a peak of "
                f"{watch.peak_n:.1f} N so far: this pull is void. Reconnect it and pull a new "
                "sample."
            ) from error
        finally:
            self._finish()
        return self._trace(lines, watch, ended_by)

    def _listen(
        self,
        lines: ForceLines,
        watch: PullWatch,
        on_sample: Callable[[ForceSample], None],
        stop: threading.Event,
    ) -> EndedBy:
        rate_hz = self._profile.sampling.sample_rate_hz
        while not stop.is_set():
            sample = self._next_sample(lines)
            if sample is None:
                continue
            on_sample(sample)
            ended_by = watch.add(sample, sample.index / rate_hz if lines.counted else sample.at_s)
            if ended_by is not None:
                return ended_by
        return "stopped"

    def _next_sample(self, lines: ForceLines) -> ForceSample | None:
        try:
            line = self._port.next_line(self._profile.sampling.silence_s)
        except InstrumentGarbled:
            lines.skip(b"")
            return None
        return lines.read(line.data, line.at_s)

    def _next_line_or_bad(self) -> bytes | None:
        try:
            return self._port.next_line(self._profile.sampling.silence_s).data
        except InstrumentGarbled:
            return None

    def _begin(self) -> None:
        self._port.discard()
        for command in self._dialect.start:
            self._send(command)
        self._enter_stream()

    def _enter_stream(self) -> None:
        # A stream is entered anywhere: the first line may have lost its head and still look whole.
        if not self._dialect.start:
            self._next_line_or_bad()

    def _finish(self) -> None:
        # What made the run end counts, not that a lost tester cannot be told to stop.
        with contextlib.suppress(InstrumentError):
            for command in self._dialect.stop:
                self._send(command)

    def _send(self, text: str) -> None:
        self._port.send(text.encode("ascii") + self._send_end)

    def _trace(self, lines: ForceLines, watch: PullWatch, ended_by: EndedBy) -> ForceTrace:
        samples = watch.samples
        index = np.array([sample.index for sample in samples], dtype=np.int64)
        arrival_s = np.array([sample.at_s for sample in samples], dtype=np.float64)
        time_from: TimeFrom = "counter" if lines.counted else "arrival"
        times_s, arrival_rate_hz = time_axis(
            index, arrival_s, time_from, self._profile.sampling.sample_rate_hz, watch.begin_index
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
        )
