"""Keeps an instrument connected: opens its port again after a loss and asks who is there."""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from station.errors import (
    InstrumentGarbled,
    InstrumentSilent,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
)
from station.instruments.framing import Identity
from station.instruments.port import LinePort

Identify = Callable[[LinePort, str | None], Identity]
"""Asks who is on the port; raises `WrongInstrument` where the serial number is another one.

For a meter ``lambda port, serial: Meter(port, profile).identify(serial)``.
"""

_PASSING = (
    InstrumentGarbled,
    InstrumentSilent,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
)


@dataclass(frozen=True, slots=True)
class BackOff:
    """Pauses between attempts in s: each twice the one before, up to a longest."""

    first_s: float = 0.5
    longest_s: float = 5.0

    def pauses(self) -> Iterator[float]:
        """Yield the pauses, without end."""
        pause_s = self.first_s
        while True:
            yield pause_s
            pause_s = min(2 * pause_s, self.longest_s)


class InstrumentLink:
    """A port with the instrument that belongs on it.

    Parameters
    ----------
    port
        Its port; opened and closed by this object.
    identify
        Asks who is there.
    bound_serial
        The serial number that must answer; null where none is bound.
    back_off
        Pauses between attempts to open the port again.
    """

    def __init__(
        self,
        port: LinePort,
        identify: Identify,
        *,
        bound_serial: str | None = None,
        back_off: BackOff | None = None,
    ) -> None:
        self.port = port
        self._identify = identify
        self._bound_serial = bound_serial
        self._back_off = back_off or BackOff()
        self.identity: Identity | None = None
        """Who is connected; null while nobody is."""
        self.trouble: str | None = None
        """Why nobody is, in one sentence."""

    def connect(self) -> Identity:
        """Open the port, ask who is there, and keep the port only for the right instrument.

        Raises
        ------
        WrongInstrument
            Another serial number answered; the port is closed again.
        PortMissing, PortForbidden, PortBusy, PortLost, InstrumentSilent, InstrumentGarbled
            Nobody could be asked; the port is closed again.
        """
        self.identity = None
        try:
            self.port.open()
            self.identity = self._identify(self.port, self._bound_serial)
        except BaseException as error:
            self.trouble = str(error)
            self.port.close()
            raise
        self.trouble = None
        return self.identity

    def reconnect(self, give_up: threading.Event) -> Identity | None:
        """Try to connect until it succeeds, with growing pauses; null once ``give_up`` is set.

        A run that was in progress is void: it is for the caller to say so and to begin another.

        Raises
        ------
        WrongInstrument
            Another serial number answered: that is for a person to put right.
        """
        self.port.close()
        self.identity = None
        for pause_s in self._back_off.pauses():
            if give_up.is_set():
                return None
            try:
                return self.connect()
            except _PASSING:
                give_up.wait(pause_s)
        raise AssertionError("the pauses never end")

    def lose(self, trouble: str) -> None:
        """Note that nobody is connected any more, and why; release the port."""
        self.identity = None
        self.trouble = trouble
        self.port.close()

    def close(self) -> None:
        """Release the port. May be called any number of times."""
        self.identity = None
        self.port.close()
