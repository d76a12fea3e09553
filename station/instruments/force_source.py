"""Where a pull tester's forces come from: a stream that is entered, or one answer per poll."""

import contextlib
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from calibration.saying import say
from station.errors import InstrumentError, InstrumentGarbled, InstrumentSilent
from station.instruments.force_lines import ForceLines, ForceSample
from station.instruments.port import LinePort
from station.instruments.profiles import PullTesterProfile

_MOST_LINES_BEFORE_ANSWER = 2000
_QUIET_WITHIN_S = 2.0

T = TypeVar("T")


class ForceSource:
    """The forces of a tester on an open port, in the words of its profile."""

    def __init__(self, port: LinePort, profile: PullTesterProfile) -> None:
        self._port = port
        self._dialect = profile.dialect
        self._settle_s = profile.line.settle_s
        self._silence_s = profile.sampling.silence_s
        self._send_end = profile.line.send_end.encode("ascii")
        self._poll_period_s = 1 / profile.sampling.sample_rate_hz
        self._next_poll_s = 0.0

    def begin(self) -> None:
        """Make the tester send, from now on."""
        quiet = not self._dialect.start or self._falls_quiet()
        self._port.discard()
        for command in self._dialect.start:
            self.send(command)
        self.enter()
        if not quiet:
            self._line_or_bad()

    def _falls_quiet(self) -> bool:
        # The rest of a line sent before would look like a whole one: "1" of "-0.1".
        deadline_s = time.monotonic() + _QUIET_WITHIN_S
        while time.monotonic() < deadline_s:
            try:
                self._port.next_line(self._settle_s)
            except InstrumentSilent:
                return True
            except InstrumentGarbled:
                continue
        return False

    def enter(self) -> None:
        """Pass over the first line of a stream that is entered anywhere.

        It may have lost its head and still look whole.
        """
        if not self._dialect.start and self._dialect.poll is None:
            self._line_or_bad()

    def finish(self) -> None:
        """Make the tester stop sending; that a lost one cannot be told so does not matter."""
        with contextlib.suppress(InstrumentError):
            for command in self._dialect.stop:
                self.send(command)

    def next_sample(self, lines: ForceLines) -> ForceSample | None:
        """Return the next force; null for a line that cannot be read.

        Raises
        ------
        InstrumentSilent, InstrumentGarbled, PortLost
            None came, too many in a row cannot be read, or the port is gone.
        """
        if self._dialect.poll is not None:
            self._ask_for_one(self._dialect.poll)
        try:
            line = self._port.next_line(self._silence_s)
        except InstrumentGarbled:
            lines.skip(b"")
            return None
        return lines.read(line.data, line.at_s)

    def ask(self, query: str, wanted: Callable[[bytes], T | None]) -> T:
        """Ask, and return the first line that ``wanted`` makes something of.

        Forces that a streaming tester sends in between are passed over.

        Raises
        ------
        InstrumentSilent
            No such line came.
        """
        self._port.discard()
        self.enter()
        self.send(query)
        deadline_s = time.monotonic() + self._silence_s
        for _ in range(_MOST_LINES_BEFORE_ANSWER):
            data = self._line_or_bad()
            found = None if data is None else wanted(data)
            if found is not None:
                return found
            if time.monotonic() > deadline_s:
                break
        raise InstrumentSilent(
            "The {name} does not answer {query!r} as its profile says, though it sends "
            "other lines; check that profile.",
            name=say(self._port.name),
            query=query,
        )

    def send(self, text: str) -> None:
        """Send a command as the profile writes it, with its line end."""
        self._port.send(text.encode("ascii") + self._send_end)

    def _ask_for_one(self, poll: str) -> None:
        pause_s = self._next_poll_s - time.monotonic()
        if pause_s > 0:
            threading.Event().wait(pause_s)
        self._next_poll_s = max(time.monotonic(), self._next_poll_s + self._poll_period_s)
        self._port.discard()
        self.send(poll)

    def _line_or_bad(self) -> bytes | None:
        try:
            return self._port.next_line(self._silence_s).data
        except InstrumentGarbled:
            return None
