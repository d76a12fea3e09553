"""Question and answer with an instrument, kept in step: one question, its own answer, no other."""

from collections.abc import Callable
from typing import TypeVar

from calibration.saying import say
from station.errors import InstrumentGarbled, InstrumentRefused, InstrumentSilent
from station.instruments.framing import (
    error_hints,
    parse_error_report,
    parse_number,
    show,
    without_header,
)
from station.instruments.port import LinePort
from station.instruments.profiles import MeterProfile

MOST_ERRORS = 50
"""How many entries of an error queue are read before it counts as endless."""

_RESYNC_TRIES = 3
_MOST_LATE_LINES = 100
_CONTROL_C = b"\x03"

T = TypeVar("T")


class Dialogue:
    """Asks a meter on an open port, in the words of its profile.

    An answer that comes late belongs to the old question. So after any answer that is late or
    unreadable, the next question first waits for quiet and asks the barrier query, which only the
    right answer passes: otherwise every later reading would belong to the joint before.
    """

    def __init__(self, port: LinePort, profile: MeterProfile) -> None:
        self._port = port
        self._dialect = profile.dialect
        self._line = profile.line
        self._measuring = profile.measuring
        self._in_step = True
        self._events = 0

    def tell(self, *commands: str) -> None:
        """Send commands that are not answered."""
        for command in commands:
            if not self._in_step:
                self._resynchronise()
            self._send(command)

    def ask(
        self, query: str, parse: Callable[[bytes], T], timeout_s: float | None = None
    ) -> tuple[T, float]:
        """Ask, and return the answer as ``parse`` reads it and its monotonic arrival time in s.

        Raises
        ------
        InstrumentSilent
            No answer within ``timeout_s`` (default: the profile's).
        InstrumentGarbled
            ``parse`` cannot read the answer.
        PortLost
            The port is closed or gone.
        """
        if not self._in_step:
            self._resynchronise()
        self._port.discard()
        self._send(query)
        self._in_step = False
        answer = self._port.next_line(timeout_s or self._measuring.answer_timeout_s)
        value = self._understood(query, answer.data, parse)
        self._in_step = True
        return value, answer.at_s

    def start_over(self) -> None:
        """Make the instrument drop what it does, and drop what it still says."""
        if not self._in_step:
            self._resynchronise()
            return
        self._clear()
        self._wait_quiet(self._line.settle_s)

    def wait_until_done(self) -> None:
        """Return when the instrument has done all it was told."""
        self.ask(self._dialect.barrier_query, _parse_one, self._measuring.reading_timeout_s)

    def drain_errors(self) -> None:
        """Empty the error queue of what happened before.

        Raises
        ------
        InstrumentRefused
            It does not end.
        """
        self.take_events()
        self._events = 0
        if self._dialect.error_query is None:
            return
        for _ in range(MOST_ERRORS):
            if self.ask(self._dialect.error_query, parse_error_report)[0].code == 0:
                return
        raise InstrumentRefused(
            "The {name} still reports errors after {most_errors} were read; switch it off and on.",
            name=say(self._port.name),
            most_errors=MOST_ERRORS,
        )

    def require_no_error(self) -> None:
        """Raise `InstrumentRefused` if the instrument has an error to report."""
        if self._dialect.error_query is None:
            self._require_no_error_event()
            return
        report, _ = self.ask(self._dialect.error_query, parse_error_report)
        if report.code != 0:
            raise InstrumentRefused(
                "The {name} reports error {code} ({text}): {hint}. Check that the profile "
                "fits this instrument.",
                name=say(self._port.name),
                code=report.code,
                text=report.text,
                hint=say(report.hint),
            )

    def take_events(self) -> int:
        """Return the event status register, which reading clears; 0 where there is none.

        Error bits are kept for `require_no_error`.
        """
        if self._dialect.status_query is None:
            return 0
        register, _ = self.ask(self._dialect.status_query, parse_number)
        self._events |= int(register)
        return int(register)

    def _require_no_error_event(self) -> None:
        self.take_events()
        events, self._events = self._events, 0
        for bit, hint in error_hints("events").items():
            if events & bit:
                raise InstrumentRefused(
                    "The {name} reports an error in its event status ({events}): {hint}. "
                    "Check that the profile fits this instrument.",
                    name=say(self._port.name),
                    events=events,
                    hint=say(hint),
                )

    def _understood(self, query: str, data: bytes, parse: Callable[[bytes], T]) -> T:
        try:
            return parse(without_header(data) if self._dialect.headers else data)
        except InstrumentGarbled as error:
            raise InstrumentGarbled(
                "The {name} on {url} gave an answer to {query} that cannot be read: "
                "{error}. Check the line and that the profile fits this instrument.",
                name=say(self._port.name),
                url=self._port.url,
                query=query,
                error=str(error),
            ) from error

    def _resynchronise(self) -> None:
        quiet_s = self._measuring.reading_time_s + self._line.settle_s
        for _ in range(_RESYNC_TRIES):
            self._clear()
            self._wait_quiet(quiet_s)
            self._send(self._dialect.barrier_query)
            if self._barrier_passed():
                self._in_step = True
                return
        raise InstrumentSilent(
            "The {name} on {url} does not come back into step after a late answer; check "
            "cable and power, switch it off and on, and configure it again.",
            name=say(self._port.name),
            url=self._port.url,
        )

    def _barrier_passed(self) -> bool:
        try:
            answer = self._port.next_line(self._measuring.reading_timeout_s)
            self._understood(self._dialect.barrier_query, answer.data, _parse_one)
        except (InstrumentSilent, InstrumentGarbled):
            return False
        return True

    def _wait_quiet(self, quiet_s: float) -> None:
        for _ in range(_MOST_LATE_LINES):
            try:
                self._port.next_line(quiet_s)
            except InstrumentGarbled:
                continue
            except InstrumentSilent:
                break
        self._port.discard()

    def _clear(self) -> None:
        if self._dialect.clear == "break":
            self._port.send_break()
        elif self._dialect.clear == "ctrl_c":
            self._port.send(_CONTROL_C)

    def _send(self, text: str) -> None:
        self._port.send((text + self._line.send_end).encode("ascii"))


def _parse_one(data: bytes) -> None:
    if data.strip().lstrip(b"+") != b"1":
        raise InstrumentGarbled("{data} is not the 1 that means done", data=show(data))
