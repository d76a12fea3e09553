"""Whether an instrument seems to stand still: pure, from the values as they come.

A meter that reads two samples alike to the last digit may be right. A tester that sends an old
value over and over, one that nobody pulls with, and a person who holds a steady force look alike
for a while. So this only says what is seen; nothing is voided by it.
"""

from dataclasses import dataclass, field
from typing import Literal

from calibration.saying import say

STANDS_AFTER_S = 10.0
"""Without change for so long, it is said (our own choice). A pull takes a few seconds."""

Standstill = Literal["no_force", "unchanged"]

WORDS: dict[str, str] = {
    "same_reading": say(
        "The meter reads exactly what it read for the sample before. Take one clip off and "
        "look at its display: if that does not change, the meter sends an old value. Give "
        "this sample up, switch the meter off and on, and check it under Instruments."
    ),
    "no_force": say(
        "No force has come for 10 s. Begin to pull. If you are pulling and the tester's "
        "own display changes, the tester sends an old value: give this sample up, switch "
        "the tester off and on, and look at Instruments."
    ),
    "unchanged": say(
        "The force has not changed for 10 s. If you hold it on purpose, go on: a pull may "
        "last 300 s. If the tester's own display changes, the tester sends an old value: "
        "stop pulling, give this sample up, switch the tester off and on, and look at "
        "Instruments."
    ),
}
"""What is said, by what is seen."""


@dataclass
class StandstillWatch:
    """Looks at one pull.

    Parameters
    ----------
    preload_n
        Below this force, in newton, nobody pulls.
    """

    preload_n: float
    _since_s: float | None = field(default=None, init=False)
    _last_n: float = field(default=0.0, init=False)

    def add(self, at_s: float, force_n: float) -> Standstill | None:
        """Take the next force in newton, at ``at_s`` on a steady clock; return what is seen.

        Below the preload a force may flicker about zero. Above it only the very same value, digit
        by digit, counts as unchanged: a load cell that is alive is never that quiet for long.
        """
        slack = force_n < self.preload_n
        stands = force_n == self._last_n or (slack and self._last_n < self.preload_n)
        self._last_n = force_n
        if self._since_s is None or not stands:
            self._since_s = at_s
        if at_s - self._since_s < STANDS_AFTER_S:
            return None
        return "no_force" if slack else "unchanged"
