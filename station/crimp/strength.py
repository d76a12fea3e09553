"""What a force limit asks of the wire itself."""

from calibration.saying import join, say
from station.crimp.limits import FORCES, Limit
from station.crimp.wire import parse_size, soft_break_force_n

FASTENING_SHARE = 0.15
"""Below this share of the wire's strength a pull tells little of the crimp (our own choice)."""


def share_of_strength(limit: Limit) -> float | None:
    """A force limit as a share of what soft copper wire of its size breaks at; None if no force."""
    if limit.criterion not in FORCES:
        return None
    return limit.value_si / soft_break_force_n(parse_size(limit.size))


def strength_words(limit: Limit) -> str | None:
    """Say what a force limit asks of the wire; None if it is no force."""
    share = share_of_strength(limit)
    if share is None:
        return None
    told = say(
        "{set_id} asks for {percent:.0f} % of what soft {size} wire bears.",
        set_id=limit.set_id,
        percent=100.0 * share,
        size=limit.size,
    )
    if share >= FASTENING_SHARE:
        return told
    fastened = say("A pass shows that the wire is fastened, not that the crimp is good.")
    return join([told, fastened])
