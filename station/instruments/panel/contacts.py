"""What the panel's contacts mean: debounce, stuck footswitch, guard latch. Pure; no pins, no clock.

Levels come in as :class:`Seen`, from edges as well as from polling: a blink of the guard between
two polls is known from its edges, and an edge that was lost is made good by the next poll.

The guard input is for information and for voiding tests. It is not a safety function: guard and
emergency stop must remove motor power without this computer.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from station.crimp.verdict import Verdict

STABLE_S = 0.025
"""A contact counts as settled after so many s without a change [common practice, no source]."""

HELD_TOO_LONG_S = 10.0
"""A footswitch that is down for longer is stuck, or something lies on it (our own choice)."""


class Contact(StrEnum):
    """A contact that the panel watches."""

    FOOTSWITCH = "footswitch"
    GUARD = "guard"


class ContactChange(StrEnum):
    """What happened at the panel."""

    FOOTSWITCH_PRESSED = "footswitch_pressed"
    FOOTSWITCH_RELEASED = "footswitch_released"
    FOOTSWITCH_STUCK = "footswitch_stuck"
    GUARD_OPENED = "guard_opened"
    GUARD_CLOSED = "guard_closed"


class FootswitchState(StrEnum):
    """How the footswitch stands; stuck: it was down at the start, or for too long."""

    RELEASED = "released"
    PRESSED = "pressed"
    STUCK = "stuck"


class Lamp(StrEnum):
    """A lamp of the panel; each carries its word, so that nobody depends on colour."""

    READY = "ready"
    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    ATTENTION = "attention"


@dataclass(frozen=True, slots=True)
class Seen:
    """A contact as it was seen at the monotonic time ``at_s``."""

    at_s: float
    contact: Contact
    closed: bool


@dataclass(frozen=True, slots=True)
class PanelEvent:
    """A change, and the monotonic time in s at which it was sure."""

    at_s: float
    change: ContactChange


def lamp_for(verdict: Verdict) -> Lamp:
    """Return the lamp of a verdict: undecided and void both ask the person to look."""
    return {Verdict.PASS: Lamp.PASS, Verdict.FAIL: Lamp.FAIL}.get(verdict, Lamp.ATTENTION)


class Debounced:
    """A level that changes only when it has been stable for `STABLE_S`.

    Parameters
    ----------
    at_s, level
        Where it stands at the start.
    """

    def __init__(self, at_s: float, level: bool) -> None:
        self.level = level
        self._raw = level
        self._raw_since_s = at_s

    def see(self, at_s: float, level: bool) -> bool:
        """Take the level at ``at_s``; return whether the settled level changed.

        A level that had been stable until now counts, even where this call brings its end.
        """
        settles = self._raw != self.level and at_s - self._raw_since_s >= STABLE_S
        if settles:
            self.level = self._raw
        if level != self._raw:
            self._raw = level
            self._raw_since_s = at_s
        return settles


class Footswitch:
    """A footswitch: one press per push, none from a switch that is stuck.

    It may begin a recording. It never moves anything.
    """

    def __init__(self, at_s: float, closed: bool) -> None:
        self._contact = Debounced(at_s, closed)
        self._pressed_at_s = at_s
        self._stuck = closed
        self._unsaid = closed

    @property
    def state(self) -> FootswitchState:
        """How it stands."""
        if self._stuck:
            return FootswitchState.STUCK
        return FootswitchState.PRESSED if self._contact.level else FootswitchState.RELEASED

    def see(self, at_s: float, closed: bool) -> list[ContactChange]:
        """Take the contact at ``at_s``; return what it means."""
        changes: list[ContactChange] = []
        if self._unsaid:
            self._unsaid = False
            changes.append(ContactChange.FOOTSWITCH_STUCK)
        if self._contact.see(at_s, closed):
            self._pressed_at_s = at_s
            self._stuck = False
            pressed = self._contact.level
            changes.append(
                ContactChange.FOOTSWITCH_PRESSED if pressed else ContactChange.FOOTSWITCH_RELEASED
            )
        held_s = at_s - self._pressed_at_s
        if self._contact.level and not self._stuck and held_s > HELD_TOO_LONG_S:
            self._stuck = True
            changes.append(ContactChange.FOOTSWITCH_STUCK)
        return changes


class Guard:
    """A guard contact, closed while the guard is: open at first sight, closed only when stable.

    Information only, never a safety function.
    """

    def __init__(self, at_s: float, closed: bool) -> None:
        self.is_closed = closed
        self._closed_since_s = at_s if closed else None
        self._last_open_s = -math.inf if closed else at_s

    def see(self, at_s: float, closed: bool) -> list[ContactChange]:
        """Take the contact at ``at_s``; return what it means."""
        if not closed:
            self._last_open_s = at_s
            self._closed_since_s = None
            was_closed, self.is_closed = self.is_closed, False
            return [ContactChange.GUARD_OPENED] if was_closed else []
        if self._closed_since_s is None:
            self._closed_since_s = self._last_open_s = at_s
        elif not self.is_closed and at_s - self._closed_since_s >= STABLE_S:
            self.is_closed = True
            return [ContactChange.GUARD_CLOSED]
        return []

    def opened_since(self, since_s: float) -> bool:
        """Whether it was open, if only for a blink, at or after ``since_s``."""
        return not self.is_closed or self._last_open_s >= since_s


class PanelContacts:
    """All contacts of a panel together.

    Parameters
    ----------
    at_s
        Monotonic time of the start.
    closed
        How each contact stands then; one that is not named is not wired.
    """

    def __init__(self, at_s: float, closed: Mapping[Contact, bool]) -> None:
        foot, guard = closed.get(Contact.FOOTSWITCH), closed.get(Contact.GUARD)
        self._footswitch = None if foot is None else Footswitch(at_s, foot)
        self._guard = None if guard is None else Guard(at_s, guard)
        self._latest_s = at_s

    @property
    def footswitch(self) -> FootswitchState | None:
        """How the footswitch stands; None where there is none."""
        return None if self._footswitch is None else self._footswitch.state

    @property
    def guard_closed(self) -> bool | None:
        """True once the guard is closed and stable; None where none is wired."""
        return None if self._guard is None else self._guard.is_closed

    def see(self, seen: Seen) -> list[PanelEvent]:
        """Take one contact as it was seen; return what it means.

        One that comes late, out of its order, counts from the latest time known.
        """
        self._latest_s = at_s = max(self._latest_s, seen.at_s)
        watcher = self._footswitch if seen.contact is Contact.FOOTSWITCH else self._guard
        changes = [] if watcher is None else watcher.see(at_s, seen.closed)
        return [PanelEvent(at_s, change) for change in changes]

    def guard_opened_since(self, since_s: float) -> bool:
        """Whether the guard was open at or after ``since_s``; False where none is wired."""
        return self._guard is not None and self._guard.opened_since(since_s)
