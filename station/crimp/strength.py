"""What a force limit asks of the wire itself."""

from calibration.saying import join, say
from station.crimp.limits import FORCES
from station.crimp.wire import parse_size, soft_break_force_n

FASTENING_SHARE = 0.15
"""Below this share of the wire's strength a pull tells little of the crimp (our own choice)."""


def share_of_strength(criterion: str, limit_si: float, size: str) -> float | None:
    """A force limit as a share of what soft copper wire of its size breaks at; None if no force."""
    return limit_si / soft_break_force_n(parse_size(size)) if criterion in FORCES else None


def strength_words(criterion: str, limit_si: float, size: str) -> str:
    """Say what a force limit asks of the wire; nothing if it is no force."""
    share = share_of_strength(criterion, limit_si, size)
    if share is None:
        return ""
    told = say(
        "That is {percent:.0f} % of what soft {size} copper wire bears.",
        percent=100.0 * share,
        size=size,
    )
    if share >= FASTENING_SHARE:
        return told
    fastened = say("A pass shows that the wire is fastened, not that the crimp is good.")
    return join([told, fastened])
