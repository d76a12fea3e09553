"""An instrument on its port: opened again after a loss, asked who is there, kept connected."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from calibration.saying import say
from station.errors import (
    InstrumentGarbled,
    InstrumentSilent,
    PortBusy,
    PortForbidden,
    PortLost,
    PortMissing,
    WrongInstrument,
)
from station.instruments.framing import Identity
from station.instruments.port import LinePort

Identify = Callable[[LinePort], Identity]
"""Asks who is on the port; for a meter ``lambda port: Meter(port, profile).identify()``."""

_PASSING = (InstrumentGarbled, InstrumentSilent, PortBusy, PortForbidden, PortLost, PortMissing)
"""What may be over at the next attempt."""

_LOOK_S = 1.0
"""A port that is lost wakes the thread at once; so often it looks whether it is to end."""

_PERSON_PAUSE_S = 5.0
"""Where a person has to put something right first: a wrong instrument, a wrong port."""


def back_off(first_s: float = 0.5, longest_s: float = 5.0) -> Iterator[float]:
    """Pauses between attempts in s, without end: each twice the one before, up to a longest."""
    pause_s = first_s
    while True:
        yield pause_s
        pause_s = min(2 * pause_s, longest_s)


@dataclass(eq=False)
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
    pauses
        Between attempts to open the port again, in s.
    """

    port: LinePort
    identify: Identify
    bound_serial: str | None = field(default=None, kw_only=True)
    pauses: Callable[[], Iterator[float]] = field(default=back_off, kw_only=True)
    identity: Identity | None = field(default=None, init=False)
    """Who is connected; null while nobody is."""
    trouble: str | None = field(default=None, init=False)
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
            identity = self.identify(self.port)
            self._require_bound(identity)
        except BaseException as error:
            self.close(str(error))
            raise
        self.identity, self.trouble = identity, None
        return identity

    def _require_bound(self, identity: Identity) -> None:
        if self.bound_serial not in (None, identity.serial):
            raise WrongInstrument(
                "The {name} on {url} has serial number {serial!r}, not {bound_serial!r}; "
                "connect the right one, or bind this.",
                name=say(self.port.name),
                url=self.port.url,
                serial=identity.serial,
                bound_serial=self.bound_serial,
            )

    def reconnect(self, give_up: threading.Event) -> Identity | None:
        """Try to connect until it succeeds, with growing pauses; null once ``give_up`` is set.

        A run that was in progress is void: it is for the caller to say so and to begin another.

        Raises
        ------
        WrongInstrument
            Another serial number answered: that is for a person to put right.
        """
        self.close(self.trouble)
        for pause_s in self.pauses():
            if give_up.is_set():
                return None
            try:
                return self.connect()
            except _PASSING:
                give_up.wait(pause_s)
        raise AssertionError("the pauses never end")

    def close(self, trouble: str | None = None) -> None:
        """Release the port and note why nobody is connected; may be called any number of times."""
        self.identity, self.trouble = None, trouble
        self.port.close()


class LinkKeeper:
    """Connects an instrument again whenever it is lost and nobody is using it.

    Parameters
    ----------
    link
        The instrument; closed by this object.
    on_change
        Called, in any thread, when the instrument came or went. It must not take long.
    """

    def __init__(self, link: InstrumentLink, on_change: Callable[[], None] = lambda: None) -> None:
        self.link = link
        self._on_change = on_change
        self._changed = threading.Condition()
        self._users = 0
        self._trying = False
        self._give_up = threading.Event()
        self._closing = False
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to keep it connected; until then it is connected only when it is used."""
        if self._thread is None:
            self._thread = threading.Thread(
                target=self._run, name=f"keeper of the {self.link.port.name}", daemon=True
            )
            self._thread.start()

    @contextmanager
    def use(self) -> Iterator[InstrumentLink]:
        """Have the link for oneself: attempts under way end first, new ones wait."""
        with self._changed:
            self._users += 1
            self._give_up.set()
            self._changed.wait_for(lambda: not self._trying)
        try:
            yield self.link
        finally:
            with self._changed:
                self._users -= 1
                self._changed.notify_all()
            self._on_change()

    def close(self) -> None:
        """End the thread and release the port; may be called any number of times."""
        with self._changed:
            self._closing = True
            self._give_up.set()
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._trying)
        self.link.close(self.link.trouble)
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _run(self) -> None:
        while not self._closing:
            if self.link.identity is None or not self.link.port.is_open:
                self._find_again()
            elif self.link.port.wait_lost(_LOOK_S) and not (self._users or self._closing):
                name = say(self.link.port.name)
                self.link.close(say("The {name} was lost; it is being looked for.", name=name))
                self._on_change()

    def _find_again(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._closing or not self._users)
            if self._closing:
                return
            self._trying = True
            self._give_up.clear()
        try:
            self.link.reconnect(self._give_up)
        except Exception:
            # Another serial number, or a port that cannot be: the link says so in its trouble. The
            # thread goes on whatever it was, for nobody else would look again.
            self._on_change()
            self._give_up.wait(_PERSON_PAUSE_S)
        finally:
            with self._changed:
                self._trying = False
                self._changed.notify_all()
        self._on_change()
