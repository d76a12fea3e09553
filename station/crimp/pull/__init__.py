"""A pull: its trace reduced to a peak, what happened on the way and how the sample let go."""

from typing import Literal

PullEnd = Literal["destructive", "hold", "at_least"]
"""How a pull was made: to the end, as a hold, or stopped at a force that the sample bore."""
