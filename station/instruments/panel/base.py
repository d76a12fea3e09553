"""What all panels share: events, the guard's latch, lamps, buzzer, relay, health. No pins yet.

The guard input is for information and for voiding tests. It is not a safety function: guard and
emergency stop must remove motor power without this computer. Nothing here starts a motor.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

from calibration.saying import say
from station.errors import PanelError
from station.instruments.panel.contacts import (
    FootswitchState,
    Lamp,
    PanelContacts,
    PanelEvent,
    Seen,
)

Clock = Callable[[], float]

BUZZER = "buzzer"
RELAY = "current_reversal_relay"
LAMPS = {lamp: f"lamp_{lamp.value}" for lamp in Lamp}
OUTPUTS = (*LAMPS.values(), BUZZER, RELAY)
"""What a panel can switch, named as in :class:`station.instruments.panel.PanelPins`."""

NOT_WATCHING = say("The panel's changes are no longer noticed: restart the station.")

KEPT_EVENTS = 1000
"""Events kept for a caller who does not poll; beyond it the oldest go."""


@dataclass(frozen=True, slots=True)
class PanelLine:
    """The panel as the page lists it; ``trouble`` says what is wrong, if anything."""

    present: bool
    simulated: bool
    footswitch: str
    guard: str
    lamps: tuple[str, ...]
    trouble: str | None


class BasePanel:
    """A panel without pins: what all panels share.

    May be used by several threads. Subclasses say how contacts are read and outputs are written.

    Parameters
    ----------
    contacts
        What is wired, as it stands now.
    clock
        Monotonic time in s; the times given to `void_reason` come from the same clock.
    """

    present = True
    simulated = False

    def __init__(self, contacts: PanelContacts, clock: Clock = time.monotonic) -> None:
        self._contacts = contacts
        self._clock = clock
        self._lock = threading.RLock()
        self._events: deque[PanelEvent] = deque(maxlen=KEPT_EVENTS)
        self._on: set[str] = set()
        self._buzzer_off_at_s: float | None = None
        self._last_error: str | None = None
        self._blind_at: tuple[float, str] | None = None
        self._closed = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def poll(self) -> list[PanelEvent]:
        """Look at the contacts and return what happened since the last call; call 100 times a s."""
        with self._lock:
            self._update()
            events = list(self._events)
            self._events.clear()
            return events

    @property
    def guard_closed(self) -> bool | None:
        """True once the guard is closed and stable; None where none is watched."""
        with self._lock:
            self._update()
            return self._contacts.guard_closed

    def void_reason(self, since_s: float) -> str | None:
        """Why a pull that began at ``since_s`` is void as far as the panel can tell, or None.

        A guard that was open only for a blink counts. For information; not a safety function.
        """
        with self._lock:
            if self._contacts.guard_closed is None:
                return None
            self._update()
            if self._contacts.guard_opened_since(since_s):
                return say("the guard was open during the pull: close it and pull a new sample")
            why = None if self.watching else NOT_WATCHING
            if self._blind_at is not None and self._blind_at[0] >= since_s:
                why = self._blind_at[1]
            return why and say(
                "the guard could not be watched during the pull: {why}", why=say(why)
            )

    def show(self, *lamps: Lamp) -> None:
        """Light these lamps and no others; lamps that are not wired are left out."""
        with self._lock:
            for lamp, name in LAMPS.items():
                self._try_set(name, lamp in lamps)

    def beep(self, time_s: float = 0.15) -> None:
        """Sound the buzzer; a later `poll` ends it after ``time_s``."""
        with self._lock:
            self._buzzer_off_at_s = self._clock() + time_s
            self._try_set(BUZZER, True)

    def set_current_reversed(self, reversed_: bool) -> None:
        """Switch the relay that reverses the meter's test current.

        Raises
        ------
        PanelError
            There is no relay, the panel is closed, or the pin could not be written.
        """
        with self._lock:
            if self._closed or not self._has(RELAY):
                raise PanelError(
                    "The panel has no current-reversal relay that can be switched: name its pin "
                    "in the settings, or use a meter profile that needs none."
                )
            try:
                self._write(RELAY, reversed_)
            except Exception as error:
                raise PanelError(
                    "The current-reversal relay could not be switched ({error}): check "
                    "its pin, then take the reading again.",
                    error=str(error),
                ) from error

    @property
    def watching(self) -> bool:
        """False once edges are no longer delivered or the panel is closed; the watchdog asks."""
        return not self._closed and self._edges_delivered()

    def line(self) -> PanelLine:
        """The panel as the page lists it."""
        guard = {None: say("not watched"), True: "closed", False: "open"}[
            self._contacts.guard_closed
        ]
        foot = self._contacts.footswitch
        lamps = tuple(lamp.value for lamp, name in LAMPS.items() if name in self._on)
        return PanelLine(
            self.present,
            self.simulated,
            say("not wired") if foot is None else foot.value,
            guard,
            lamps,
            self._trouble(),
        )

    def close(self) -> None:
        """Switch all outputs off and release the pins; may be called again."""
        with self._lock:
            if self._closed:
                return
            for name in OUTPUTS:
                self._try_set(name, False)
            self._closed = True
            self._release()

    # ---- what subclasses say -------------------------------------------------------------------

    def _gather(self, now_s: float) -> list[Seen]:  # noqa: ARG002
        """Return what was seen since the last call, the levels now included."""
        return []

    def _has(self, output: str) -> bool:  # noqa: ARG002
        return False

    def _write(self, output: str, on: bool) -> None:
        """Switch an output that `_has`."""

    def _edges_delivered(self) -> bool:
        return True

    def _release(self) -> None:
        """Give the pins back; never raises."""

    # ---- shared --------------------------------------------------------------------------------

    def _update(self) -> None:
        if self._closed:
            return
        now_s = self._clock()
        for seen in sorted(self._gather(now_s), key=lambda seen: seen.at_s):
            self._events.extend(self._contacts.see(seen))
        if self._buzzer_off_at_s is not None and now_s >= self._buzzer_off_at_s:
            self._buzzer_off_at_s = None
            self._try_set(BUZZER, False)

    def _try_set(self, output: str, on: bool) -> None:
        # A lamp that fails must not end a sample.
        if self._closed or not self._has(output):
            return
        try:
            self._write(output, on)
        except Exception as error:
            self._last_error = say(
                "The panel's {output} could not be switched ({error!r}).",
                output=say(spoken(output)),
                error=error,
            )
            return
        (self._on.add if on else self._on.discard)(output)

    def _blind(self, now_s: float, text: str) -> None:
        self._blind_at = (now_s, text)
        self._last_error = text

    def _trouble(self) -> str | None:
        if not self.watching:
            return NOT_WATCHING
        if self._contacts.footswitch is FootswitchState.STUCK:
            return say("The footswitch is stuck or held down: release it before it is used.")
        return self._last_error


class NoPanel(BasePanel):
    """A bench without a panel: every call is allowed and does nothing.

    Parameters
    ----------
    why
        One sentence for the person.
    """

    present = False

    def __init__(self, why: str) -> None:
        super().__init__(PanelContacts(0.0, {}))
        self.why = why

    def _trouble(self) -> str | None:
        return self.why


def spoken(name: str) -> str:
    """Return the name of a pin's use as people say it: ``lamp_pass`` is "lamp pass"."""
    return name.replace("_", " ")
