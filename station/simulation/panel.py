"""A simulated panel: contacts at rest, outputs that only remember. No GPIO needed."""

import time

from station.instruments.panel.base import OUTPUTS, BasePanel, Clock
from station.instruments.panel.contacts import Contact, PanelContacts, Seen


class SimulatedPanel(BasePanel):
    """A panel for ``--simulate``: footswitch up, guard closed, every lamp wired."""

    simulated = True

    def __init__(self, clock: Clock = time.monotonic) -> None:
        self._levels = {Contact.FOOTSWITCH: False, Contact.GUARD: True}
        super().__init__(PanelContacts(clock(), self._levels), clock)

    def _gather(self, now_s: float) -> list[Seen]:
        return [Seen(now_s, *level) for level in self._levels.items()]

    def _has(self, output: str) -> bool:
        return output in OUTPUTS
