"""A force that is held: for how long a pull's readings show it. Pure.

Only what was read counts. The force was held from the first to the last of neighbouring readings
that all show it: one reading below ends the stretch, whether the force fell or only rippled, and so
does a gap in which nobody looked. The longest stretch counts; stretches are never added up.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from station.crimp.pull.believed import believed
from station.crimp.pull.reduce import HOLD_BAND, checked_trace

LONGEST_GAP_S = 0.5
"""Between two readings; what happened in a longer gap is not known (our own choice)."""

USUAL_HOLD_S = 60.0
"""For a proof pull by limits that state no time: the one minute of those that do."""

ROOM = 1.02
"""Whoever holds a force is asked for this much more, so that ripple does not end the hold."""


@dataclass
class Hold:
    """A hold, reading by reading.

    Attributes
    ----------
    reading_n
        Lowest reading that shows the force to be held: that force and a guard band above it, the
        guard factor times the reading's standard uncertainty.
    held_s
        Longest time for which every reading showed it; 0 where none, or one alone, did.
    lowest_n
        Lowest reading of that time; the highest of all where none showed the force.
    """

    reading_n: float
    held_s: float = 0.0
    lowest_n: float = -np.inf
    _since_s: float | None = None
    _last_s: float = 0.0
    _low_n: float = 0.0

    def add(self, at_s: float, force_n: float) -> float:
        """Take the next force in newton, on a steady clock; return for how long it is held now."""
        gap_s, self._last_s = at_s - self._last_s, at_s
        if force_n < self.reading_n:
            self._since_s = None
            if self.lowest_n < self.reading_n:
                self.lowest_n = max(self.lowest_n, force_n)
            return 0.0
        if self._since_s is None or gap_s > LONGEST_GAP_S:
            self._since_s, self._low_n = at_s, force_n
        self._low_n, now_s = min(self._low_n, force_n), at_s - self._since_s
        if now_s >= self.held_s:
            self.held_s, self.lowest_n = now_s, self._low_n
        return now_s


def reduce_hold(time_s: ArrayLike, force_n: ArrayLike, reading_n: float) -> Hold:
    """The longest hold in a trace, by a reading that shows it (BadInput for a malformed trace)."""
    time, force = checked_trace(time_s, force_n)
    hold = Hold(reading_n)
    for at_s, reading in zip(time.tolist(), force.tolist(), strict=True):
        hold.add(at_s, reading)
    return hold


def still_borne_n(time_s: ArrayLike, force_n: ArrayLike) -> float | None:
    """Force in newton that a sample surely bore when its pull was stopped.

    Two readings, one after the other, must show it, so that a lone wrong one shows nothing. None
    where the force had begun to fall when the recording ended: the sample may have let go.

    Raises
    ------
    BadInput
        The trace is malformed.
    """
    seen = believed(*checked_trace(time_s, force_n))
    if seen.void_reason is not None or seen.force.size < 2:
        return None
    force = seen.force
    shown = np.minimum(force[:-1], force[1:])
    most_n = float(shown.max())
    return most_n if shown[-1] >= HOLD_BAND * most_n else None
