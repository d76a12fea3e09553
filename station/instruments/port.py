"""A serial line that is always read: the only place that touches pyserial.

One thread per port takes bytes as they come, cuts them into lines and notes when each arrived, so
that nobody ever reads the past of a streaming instrument by accident. Whatever ends the thread is
kept and raised to the next caller.
"""

import errno
import termios
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple, Self

import serial
from serial.tools import list_ports

from calibration.saying import say
from station.errors import (
    BadInput,
    InstrumentError,
    InstrumentGarbled,
    InstrumentSilent,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
)
from station.instruments.dialects import LineSettings
from station.instruments.framing import LONGEST_LINE, LineSplitter, Overlong, show

Direction = Literal["in", "out"]
OnBytes = Callable[[Direction, bytes], None]

QUEUED_LINES = 20_000
"""Lines kept for a caller; beyond it the oldest go: 20 s of the fastest line in use, 1000/s."""

_READ_TIMEOUT_S = 0.1
_WRITE_TIMEOUT_S = 2.0
_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
# On a line that is gone pyserial raises SerialException (an OSError), bare OSError, and
# termios.error, which is no OSError.
_LINE_FAULTS = (OSError, termios.error)


class ReceivedLine(NamedTuple):
    """A line and the monotonic time in s at which its end arrived."""

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class PortFound:
    """A serial port of this computer."""

    url: str
    description: str
    serial_number: str


def available_ports() -> tuple[PortFound, ...]:
    """Return the serial ports that the operating system lists, by name."""
    found = sorted(list_ports.comports(), key=lambda port: port.device)
    return tuple(PortFound(p.device, p.description or "", p.serial_number or "") for p in found)


class LinePort:
    """A serial line of one instrument.

    Parameters
    ----------
    url
        Device (``/dev/serial/by-id/...``), or ``socket://HOST:PORT`` for a port server's raw TCP.
    line
        Line settings, from the instrument's profile.
    name
        What people call the instrument; used in messages.
    on_bytes
        Called with direction and bytes of everything that passes, for a trace. Bytes that come in
        are traced from the reading thread.
    """

    def __init__(
        self, url: str, line: LineSettings, *, name: str, on_bytes: OnBytes | None = None
    ) -> None:
        self.url = url
        self.line = line
        self.name = name
        self._on_bytes = on_bytes
        self._splitter = LineSplitter(line.receive_end.encode("ascii"))
        self._chunks: deque[tuple[float, list[bytes]]] = deque()
        self._waiting = 0
        self._lost = threading.Event()
        self._changed = threading.Condition()
        self._writing = threading.Lock()
        self._turning = threading.RLock()  # open and close, from whichever thread
        self._stopping = threading.Event()
        self._serial: serial.Serial | None = None
        self._thread: threading.Thread | None = None
        self._ended: str | None = say(
            "The {place} is not open; open it first.", place=say(self._place)
        )
        self._cause: BaseException | None = None

    @property
    def _place(self) -> str:
        return say("port {url} of the {name}", url=self.url, name=say(self.name))

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def open(self) -> None:
        """Open the port for this program alone and begin to read. Does nothing if it is open.

        Raises
        ------
        PortMissing, PortForbidden, PortBusy
            The port cannot be opened.
        BadInput
            The URL or a line setting is not possible.
        """
        with self._turning:
            if self._thread is not None and self._ended is None:
                return
            self.close()
            self._serial = self._open_serial()
            self._stopping.clear()
            self._lost.clear()
            with self._changed:
                self._ended, self._cause = None, None
                self.discard()
            self._thread = threading.Thread(
                target=self._drain, args=(self._serial,), name=f"reader {self.url}", daemon=True
            )
            self._thread.start()

    def close(self) -> None:
        """Stop reading and release the port. May be called at any time, any number of times."""
        with self._turning:
            self._stopping.set()
            self._end(say("The {place} is closed; open it again.", place=say(self._place)), None)
            if self._thread is not None:
                self._cancel_read()
                self._thread.join()
                self._thread = None
            self._release()

    def send(self, data: bytes) -> None:
        """Write bytes as they are; the caller adds the terminator.

        Raises
        ------
        PortLost
            The port is closed or gone.
        InstrumentSilent
            The instrument holds the line and takes no bytes.
        """
        self._do(lambda port: port.write(data))
        self._trace("out", data)

    def send_break(self) -> None:
        """Send a break condition, which some instruments take for "drop what you are doing".

        Raises
        ------
        PortLost
            The port is closed or gone.
        """
        self._do(lambda port: port.send_break())

    def _do(self, act: Callable[[serial.Serial], object]) -> None:
        with self._writing:
            port = self._require_open()
            try:
                act(port)
            except serial.SerialTimeoutException as error:
                raise InstrumentSilent(
                    "The {name} on {url} takes no bytes; check that it is on and that its "
                    "flow control is set as in the profile.",
                    name=say(self.name),
                    url=self.url,
                ) from error
            except _LINE_FAULTS as error:
                self._lose(error)
                raise PortLost(self._ended) from error

    def next_line(self, timeout_s: float) -> ReceivedLine:
        """Return the oldest line not yet taken, waiting for it up to ``timeout_s`` in all.

        Lines that came before the port was lost are still handed out.

        Raises
        ------
        InstrumentSilent
            No complete line came in time. What came of one stays, and may complete later.
        InstrumentGarbled
            Bytes came without a line end.
        PortLost
            The port is closed or gone, or reading it failed.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._chunks or self._ended is not None, timeout_s)
            if not self._chunks:
                raise self._why_no_line(timeout_s) from self._cause
            at_s, lines = self._chunks[0]
            line = lines.pop(0)
            self._waiting -= 1
            if not lines:
                self._chunks.popleft()
        if isinstance(line, Overlong):
            raise InstrumentGarbled(
                "The {name} on {url} sent {longest_line} bytes without a line end, "
                "beginning {data}; check baud rate and line end in the profile.",
                name=say(self.name),
                url=self.url,
                longest_line=LONGEST_LINE,
                data=show(line),
            )
        return ReceivedLine(at_s, line)

    def discard(self) -> None:
        """Drop every line not yet taken, and what has come of the next one."""
        with self._changed:
            self._chunks.clear()
            self._waiting = 0
            self._splitter.reset()

    @property
    def is_open(self) -> bool:
        """True from `open` until the port is closed or lost."""
        return self._ended is None

    def wait_lost(self, timeout_s: float) -> bool:
        """Wait up to ``timeout_s`` for the port to be closed or lost; return whether it is."""
        return self._lost.wait(timeout_s)

    def _open_serial(self) -> serial.Serial:
        line = self.line
        if self.url.lower().startswith("rfc2217:"):
            raise BadInput(
                "The {place} cannot be opened: RFC 2217 is not spoken here; set the server to raw "
                "TCP with the profile's line settings, and write socket://HOST:PORT.",
                place=say(self._place),
            )
        try:
            port = serial.serial_for_url(
                self.url,
                do_not_open=True,
                baudrate=line.baud,
                bytesize=line.data_bits,
                parity=_PARITIES[line.parity],
                stopbits=line.stop_bits,
                rtscts=line.flow == "rts_cts",
                xonxoff=line.flow == "xon_xoff",
                timeout=_READ_TIMEOUT_S,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
            port.open()
        except ValueError as error:
            raise BadInput(
                "The {place} cannot be opened: {error}. Correct it.",
                place=say(self._place),
                error=str(error),
            ) from error
        except _LINE_FAULTS as error:
            raise self._why_not_open(error) from error
        return port

    def _why_not_open(self, error: Exception) -> InstrumentError:
        number = getattr(error, "errno", None)
        if number in (errno.EACCES, errno.EPERM):
            return PortForbidden(
                "This user may not open the {place}; add the user to the group dialout "
                "and log in again.",
                place=say(self._place),
            )
        if number in (errno.EAGAIN, errno.EBUSY):
            return PortBusy(
                "The {place} is held by another program; close that program and try again.",
                place=say(self._place),
            )
        if number == errno.ENOENT:
            return PortMissing(
                "There is no {place}; plug in the adapter or choose another port.",
                place=say(self._place),
            )
        return PortMissing(
            "The {place} is no working serial port ({error}); check it.",
            place=say(self._place),
            error=str(error),
        )

    def _require_open(self) -> serial.Serial:
        if self._ended is not None or self._serial is None:
            raise PortLost(self._ended) from self._cause
        return self._serial

    def _why_no_line(self, timeout_s: float) -> InstrumentError:
        if self._ended is not None:
            return PortLost(self._ended)
        partial = self._splitter.partial
        heard = (
            say("sent only {partial} and no line end", partial=show(partial))
            if partial
            else say("sent nothing")
        )
        return InstrumentSilent(
            "The {name} on {url} {heard} within {timeout_s:.2g} s; check that it is on, "
            "in the right mode, and at the profile's baud rate.",
            name=say(self.name),
            url=self.url,
            heard=say(heard),
            timeout_s=timeout_s,
        )

    def _drain(self, port: serial.Serial) -> None:
        try:
            while not self._stopping.is_set():
                chunk = port.read(max(1, port.in_waiting))
                if chunk:
                    self._take(chunk)
        except Exception as error:
            self._lose(error)
            # An adapter whose device file is still held comes back under another name.
            with self._writing:
                self._release()

    def _take(self, chunk: bytes) -> None:
        at_s = time.monotonic()
        self._trace("in", chunk)
        with self._changed:
            lines = self._splitter.feed(chunk)
            if lines:
                self._chunks.append((at_s, lines))
                self._waiting += len(lines)
                self._drop_oldest()
                self._changed.notify_all()

    def _drop_oldest(self) -> None:
        while self._waiting > QUEUED_LINES:
            _, oldest = self._chunks[0]
            surplus = min(self._waiting - QUEUED_LINES, len(oldest))
            del oldest[:surplus]
            self._waiting -= surplus
            if not oldest:
                self._chunks.popleft()

    def _trace(self, direction: Direction, data: bytes) -> None:
        if self._on_bytes is not None:
            self._on_bytes(direction, data)

    def _lose(self, error: BaseException) -> None:
        if isinstance(error, _LINE_FAULTS):
            text = say(
                "The {place} is gone; check cable and power, then open it again.",
                place=say(self._place),
            )
        else:
            text = say(
                "Reading the {place} failed ({error!r}); open it again.",
                place=say(self._place),
                error=error,
            )
        self._end(text, error)

    def _end(self, text: str, cause: BaseException | None) -> None:
        with self._changed:
            if self._ended is None:
                self._ended, self._cause = text, cause
            self._lost.set()
            self._changed.notify_all()

    def _cancel_read(self) -> None:
        # Locked, because the reading thread may be closing the very file that this writes to.
        with self._writing:
            cancel = getattr(self._serial, "cancel_read", None)
            if cancel is not None and self._serial is not None and self._serial.is_open:
                cancel()

    def _release(self) -> None:
        if self._serial is not None:
            self._serial.close()
