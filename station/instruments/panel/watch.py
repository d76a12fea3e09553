"""The thread that looks at the panel 100 times a second and hands on what happened."""

import threading
from collections.abc import Callable
from typing import Self

from calibration.saying import say
from station.errors import BadInput
from station.instruments.panel.base import NOT_WATCHING, BasePanel
from station.instruments.panel.contacts import PanelEvent

PERIOD_S = 0.01
"""Well below the 25 ms in which a contact settles."""


class PanelWatch:
    """Polls a panel and calls ``on_event`` for everything that happens.

    It closes the panel on leaving, and when it ends by an error: outputs are then off. Give
    `trouble` to the watchdog, so that a thread that died is not left dead.

    Parameters
    ----------
    on_event
        Called in this thread; it must not take long. A :class:`station.errors.BadInput` that it
        raises (a footswitch pressed when nothing waits for it) is passed over; anything else ends
        the watch.
    """

    def __init__(self, panel: BasePanel, on_event: Callable[[PanelEvent], None]) -> None:
        self._panel = panel
        self._on_event = on_event
        self._stopping = threading.Event()
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="panel", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopping.set()
        self._thread.join(timeout=5.0)
        self._panel.close()

    def trouble(self) -> str | None:
        """Why the panel is no longer watched, in one sentence; None while it is."""
        if self._error is not None:
            return say(
                "The panel is no longer watched ({error!r}): restart the station.",
                error=self._error,
            )
        if not self._thread.is_alive():
            return say("The panel is not watched yet, or no longer: restart the station.")
        return None if self._panel.watching else NOT_WATCHING

    def _run(self) -> None:
        try:
            while not self._stopping.wait(PERIOD_S):
                self._look()
        except Exception as error:
            self._error = error
            self._panel.close()

    def _look(self) -> None:
        for event in self._panel.poll():
            try:
                self._on_event(event)
            except BadInput:
                continue
