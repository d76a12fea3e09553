"""A simulated panel with a person at it."""

import time

from station.instruments.panel.base import Clock
from station.instruments.panel.contacts import Contact, Seen
from station.simulation.panel import SimulatedPanel


class WorkedPanel(SimulatedPanel):
    """Its methods stand for a person's foot and hands.

    Contacts settle as real ones do, so a change is reported by a `poll` some 25 ms later.
    """

    def __init__(self, clock: Clock = time.monotonic) -> None:
        self._coming: list[Seen] = []
        super().__init__(clock)

    def press_footswitch(self, held_s: float = 0.2) -> None:
        """Push the footswitch down for ``held_s``."""
        self._later(Contact.FOOTSWITCH, True)
        self._later(Contact.FOOTSWITCH, False, held_s)

    def open_guard(self) -> None:
        """Open the guard."""
        self._later(Contact.GUARD, False)

    def close_guard(self) -> None:
        """Close the guard."""
        self._later(Contact.GUARD, True)

    def _later(self, contact: Contact, closed: bool, delay_s: float = 0.0) -> None:
        with self._lock:
            self._coming.append(Seen(self._clock() + delay_s, contact, closed))

    def _gather(self, now_s: float) -> list[Seen]:
        due = sorted((s for s in self._coming if s.at_s <= now_s), key=lambda seen: seen.at_s)
        self._coming = [seen for seen in self._coming if seen.at_s > now_s]
        for seen in due:
            self._levels[seen.contact] = seen.closed
        return [*due, *super()._gather(now_s)]
