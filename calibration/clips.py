"""What taking the clips off and on adds to a reading: the re-clipping share of repeatability."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.gauge_study import GaugeStudy, nested_study


@dataclass(frozen=True, slots=True)
class Reclipping:
    """Spread between clippings and within them, in the unit of the values.

    Attributes
    ----------
    within_sd
        Of readings while the clips stay on: what repeats at work average out.
    reclip_sd
        Between clippings: what repeats at work never see, as the clips stay where they are.
    reclip_dof
        Effective degrees of freedom of ``reclip_sd``.
    study
        The analysis of variance behind it.
    """

    within_sd: float
    reclip_sd: float
    reclip_dof: float
    study: GaugeStudy

    @property
    def repeatability_sd(self) -> float:
        """Of single readings with the clips put on anew for each."""
        return math.hypot(self.within_sd, self.reclip_sd)

    @property
    def share(self) -> float | None:
        """Share of the repeatability variance that is re-clipping; None where nothing varies."""
        total = self.repeatability_sd**2
        return self.reclip_sd**2 / total if total > 0.0 else None


def reclipping(clipping: Sequence[str], value: Sequence[float]) -> Reclipping:
    """Analyse a re-clipping study: one part, one person, several readings of each clipping.

    The variance between clippings is (MS_between - MS_within) / readings, floored at 0; its degrees
    of freedom are those of that difference (Satterthwaite 1946: a linear combination of mean
    squares), at least 1.

    Raises
    ------
    ValueError
        Fewer than two clippings, or uneven numbers of readings.
    """
    study = nested_study(clipping, value)
    between, within = study.sources
    difference = between.mean_square - within.mean_square
    spread = between.mean_square**2 / between.dof + within.mean_square**2 / within.dof
    dof = difference**2 / spread if difference > 0.0 and spread > 0.0 else float(between.dof)
    return Reclipping(study.repeatability_sd, study.part_sd, max(1.0, dof), study)
