"""Keeps one instrument connected in a thread of its own, and lends it to one user at a time."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from station.instruments.link import InstrumentLink

_LOOK_S = 1.0
"""A port that is lost wakes the thread at once; so often it looks whether it is to end."""

_PERSON_PAUSE_S = 5.0
"""Where a person has to put something right first: a wrong instrument, a wrong port."""


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
        self.link.close()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def _run(self) -> None:
        while not self._closing:
            if self.link.identity is None or not self.link.port.is_open:
                self._find_again()
            elif self.link.port.wait_lost(_LOOK_S) and not (self._users or self._closing):
                self.link.lose(f"The {self.link.port.name} was lost; it is being looked for.")
                self._on_change()

    def _find_again(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._closing or not self._users)
            if self._closing:
                return
            self._trying = True
            self._give_up.clear()
        try:
            self._try_until_found()
        finally:
            with self._changed:
                self._trying = False
                self._changed.notify_all()
        self._on_change()

    def _try_until_found(self) -> None:
        try:
            self.link.reconnect(self._give_up)
        except Exception:
            # Another serial number, or a port that cannot be: the link says so in its trouble. The
            # thread goes on whatever it was, for nobody else would look again.
            self._on_change()
            self._give_up.wait(_PERSON_PAUSE_S)
