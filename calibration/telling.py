"""Can this bench tell good from bad at this limit? Gauge spread against the margin to the limit."""

import math
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtr

from calibration.saying import say

GUARD = 1.645
"""One-sided 95 %: the guard band in gauge spreads, as for single samples."""

MOSTLY = 0.95
AT_ALL = 0.5

Answer = Literal["yes", "partly", "no"]


@dataclass(frozen=True, slots=True)
class Telling:
    """What a gauge can say of parts like those in a study.

    Attributes
    ----------
    margin
        From the mean of the parts to the limit; positive on the good side.
    blind_half_width
        Within so much of the limit one measurement decides nothing.
    share_decided
        Share of single measurements of such parts that come out beyond the blind zone, on the
        side where the mean of the parts lies.
    """

    answer: Answer
    limit: float
    mean: float
    margin: float
    blind_half_width: float
    share_decided: float

    @property
    def sentence(self) -> str:
        """The answer in words."""
        form = {
            "yes": say("Yes: {zone}, and {share}."),
            "partly": say(
                "Partly: {zone}; {share}. Measure several times, or lessen the gauge's spread."
            ),
            "no": say(
                "No: {zone}; only {share}. This gauge cannot judge such parts at this limit."
            ),
        }[self.answer]
        return say(
            form,
            zone=say(
                "a single measurement within {half:.3g} of the limit {limit:.6g} decides nothing",
                half=self.blind_half_width,
                limit=self.limit,
            ),
            share=say(
                "{share:.0f} % of measurements of such parts are decided",
                share=100.0 * self.share_decided,
            ),
        )


def can_tell(
    gauge_sd: float,
    part_sd: float,
    mean: float,
    limit: float,
    *,
    side: Literal["lower", "upper"] = "upper",
) -> Telling:
    """Say whether a gauge can tell good from bad at a limit.

    One measurement of a part decides if it lies beyond :data:`GUARD` gauge spreads from the limit.
    Parts are normal about their mean, and so is the gauge.

    Parameters
    ----------
    gauge_sd, part_sd
        Standard deviations from a study, in the unit of the values.
    mean, limit
        Mean of the study's parts, and the limit.
    side
        Whether values must stay at most (``upper``) or at least (``lower``) at the limit.

    Raises
    ------
    ValueError
        A spread is negative, or a value is no number.
    """
    if not all(map(math.isfinite, (gauge_sd, part_sd, mean, limit))):
        raise ValueError("spread, mean and limit must be numbers")
    if gauge_sd < 0.0 or part_sd < 0.0:
        raise ValueError("a spread must not be negative")
    blind = GUARD * gauge_sd
    margin = limit - mean if side == "upper" else mean - limit
    total = math.hypot(gauge_sd, part_sd)
    beyond = abs(margin) - blind
    share = float(ndtr(beyond / total)) if total > 0.0 else float(beyond >= 0.0)
    answer: Answer = "yes" if share >= MOSTLY else "partly" if share >= AT_ALL else "no"
    return Telling(answer, limit, mean, margin, blind, share)
