"""Gauge studies: how much of the spread is the bench, how much the people, how much the parts.

Analysis of variance with random effects on balanced data. *Crossed*: every person measures every
part several times (resistance). *Nested*: a part can be measured only once, because it is pulled
apart; parts of one batch stand in for repeats (force), so that their own differences count as the
gauge's.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

POOLING_PROBABILITY = 0.25
"""The interaction is pooled into repeatability where chance explains it at least this well."""

DISTINCT_FACTOR = 1.41
"""Categories a gauge can tell apart: this times part over gauge spread, cut to a whole number."""


@dataclass(frozen=True, slots=True)
class SpreadSource:
    """One line of an analysis of variance; ``f`` and ``p`` None where nothing is tested."""

    name: str
    sum_of_squares: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.dof


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Standard deviations by source, in the unit of the values.

    Attributes
    ----------
    reproducibility_sd, interaction_sd
        None where the study has only one person, or cannot have the term.
    pooled
        True where a negligible term was pooled into repeatability.
    floored
        Names of terms whose estimate was negative and is stated as 0.
    sources
        The analysis of variance behind it.
    """

    repeatability_sd: float
    reproducibility_sd: float | None
    interaction_sd: float | None
    part_sd: float
    pooled: bool
    floored: tuple[str, ...]
    sources: tuple[SpreadSource, ...]

    @property
    def gauge_sd(self) -> float:
        """Repeatability, reproducibility and interaction together."""
        return math.hypot(
            self.repeatability_sd, self.reproducibility_sd or 0.0, self.interaction_sd or 0.0
        )

    @property
    def total_sd(self) -> float:
        """Gauge and parts together."""
        return math.hypot(self.gauge_sd, self.part_sd)

    @property
    def percent_gauge(self) -> float | None:
        """Gauge spread in per cent of the total; None where there is no spread at all."""
        return 100.0 * self.gauge_sd / self.total_sd if self.total_sd > 0.0 else None

    @property
    def distinct_categories(self) -> int | None:
        """How many kinds of part the gauge can tell apart; None for a gauge without spread."""
        if self.gauge_sd == 0.0:
            return None
        return int(DISTINCT_FACTOR * self.part_sd / self.gauge_sd)


def crossed_study(
    part: Sequence[str],
    appraiser: Sequence[str],
    value: Sequence[float],
    *,
    pool: bool | None = None,
) -> GaugeStudy:
    """Analyse a crossed study.

    Parameters
    ----------
    part, appraiser, value
        One entry per measurement; every person measures every part equally often, at least twice.
    pool
        Whether the interaction is pooled into repeatability; None decides by its F test.

    Raises
    ------
    ValueError
        Too few parts or repeats, or a cell that is missing or uneven (it is named).
    """
    cells = _crossed_cells(part, appraiser, value)
    people, parts, trials = cells.shape
    grand = cells.mean()
    deviation = cells - grand
    by_part = deviation.mean(axis=(0, 2))
    by_person = deviation.mean(axis=(1, 2))
    by_cell = deviation.mean(axis=2)
    ss_part = people * trials * float(by_part @ by_part)
    ss_person = parts * trials * float(by_person @ by_person)
    cross = by_cell - by_part[None, :] - by_person[:, None]
    ss_cross = trials * float((cross**2).sum())
    ss_error = float(((deviation - by_cell[:, :, None]) ** 2).sum())
    error = SpreadSource("repeatability", ss_error, people * parts * (trials - 1))
    if people == 1:
        return _one_way(_tested("part", ss_part, parts - 1, error), error, trials, pool=False)
    cross_dof = (people - 1) * (parts - 1)
    interaction = _tested("interaction", ss_cross, cross_dof, error)
    pooled = (interaction.p or 0.0) > POOLING_PROBABILITY if pool is None else pool
    if pooled:
        residual = against = _together(error, interaction)
    else:
        residual, against = error, interaction
    part_line = _tested("part", ss_part, parts - 1, against)
    person_line = _tested("appraiser", ss_person, people - 1, against)
    variances = {
        "interaction": 0.0 if pooled else (interaction.mean_square - residual.mean_square) / trials,
        "reproducibility": (person_line.mean_square - against.mean_square) / (parts * trials),
        "part": (part_line.mean_square - against.mean_square) / (people * trials),
    }
    return GaugeStudy(
        math.sqrt(residual.mean_square),
        _root(variances["reproducibility"]),
        _root(variances["interaction"]),
        _root(variances["part"]),
        pooled,
        tuple(name for name, variance in variances.items() if variance < 0.0),
        (part_line, person_line, interaction, error),
    )


def nested_study(
    batch: Sequence[str], value: Sequence[float], appraiser: Sequence[str] | None = None
) -> GaugeStudy:
    """Analyse a nested study, where each part is measured once and destroyed.

    Where the estimate between batches is negative it is stated as 0, and its degrees of freedom go
    into repeatability (for balanced data that is the restricted maximum likelihood estimate).

    Parameters
    ----------
    batch, value
        One entry per part; equally many parts in every batch, at least two.
    appraiser
        Who measured; every person has batches of their own, equally many.

    Raises
    ------
    ValueError
        Fewer than two batches, or uneven numbers (the odd one is named).
    """
    appraiser = appraiser or [""] * len(batch)
    by_person = {
        person: _groups(
            [b for b, who in zip(batch, appraiser, strict=True) if who == person],
            [v for v, who in zip(value, appraiser, strict=True) if who == person],
        )
        for person in dict.fromkeys(appraiser) or ("",)
    }
    shapes = {person: groups.shape for person, groups in by_person.items()}
    first = next(iter(shapes.values()))
    for person, shape in shapes.items():
        if shape != first:
            raise ValueError(
                f"{person} has {shape[0]} batches of {shape[1]} parts, others {first[0]} of "
                f"{first[1]}: a nested study needs equal numbers"
            )
    return _nested(np.stack(list(by_person.values())))


def _nested(cells: NDArray[np.float64]) -> GaugeStudy:
    people, batches, parts = cells.shape
    if batches < 2:
        raise ValueError("a nested study needs at least two batches")
    grand = cells.mean()
    persons = cells.mean(axis=(1, 2))
    means = cells.mean(axis=2)
    within = SpreadSource(
        "repeatability",
        float(((cells - means[:, :, None]) ** 2).sum()),
        people * batches * (parts - 1),
    )
    between = _tested(
        "part",
        parts * float(((means - persons[:, None]) ** 2).sum()),
        people * (batches - 1),
        within,
    )
    if people == 1:
        return _one_way(between, within, parts, pool=True)
    person = _tested(
        "appraiser", batches * parts * float(((persons - grand) ** 2).sum()), people - 1, between
    )
    floored: list[str] = []
    part_variance = (between.mean_square - within.mean_square) / parts
    residual, against = within, between
    if part_variance < 0.0:
        floored.append("part")
        residual = against = _together(within, between)
    person_variance = (person.mean_square - against.mean_square) / (batches * parts)
    if person_variance < 0.0:
        floored.append("reproducibility")
    return GaugeStudy(
        math.sqrt(residual.mean_square),
        _root(person_variance),
        None,
        _root(part_variance),
        residual is not within,
        tuple(floored),
        (person, between, within),
    )


def _one_way(part: SpreadSource, error: SpreadSource, trials: int, *, pool: bool) -> GaugeStudy:
    variance = (part.mean_square - error.mean_square) / trials
    negative = variance < 0.0
    pooled = pool and negative
    residual = _together(error, part) if pooled else error
    return GaugeStudy(
        math.sqrt(residual.mean_square),
        None,
        None,
        _root(variance),
        pooled,
        ("part",) if negative else (),
        (part, error),
    )


def _together(error: SpreadSource, other: SpreadSource) -> SpreadSource:
    squares = error.sum_of_squares + other.sum_of_squares
    return SpreadSource(error.name, squares, error.dof + other.dof)


def _tested(name: str, sum_of_squares: float, dof: int, against: SpreadSource) -> SpreadSource:
    if against.mean_square == 0.0:
        return SpreadSource(name, sum_of_squares, dof)
    f = sum_of_squares / dof / against.mean_square
    return SpreadSource(name, sum_of_squares, dof, f, float(fdtrc(dof, against.dof, f)))


def _root(variance: float) -> float:
    return math.sqrt(max(0.0, variance))


def _crossed_cells(
    part: Sequence[str], appraiser: Sequence[str], value: Sequence[float]
) -> NDArray[np.float64]:
    cells: dict[tuple[str, str], list[float]] = {}
    for which, who, measured in zip(part, appraiser, value, strict=True):
        cells.setdefault((who, which), []).append(float(measured))
    people, parts = list(dict.fromkeys(appraiser)), list(dict.fromkeys(part))
    if len(parts) < 2:
        raise ValueError("a crossed study needs at least two parts")
    trials = max((len(values) for values in cells.values()), default=0)
    if trials < 2:
        raise ValueError("a crossed study needs at least two trials of every part by every person")
    for who in people:
        for which in parts:
            found = len(cells.get((who, which), ()))
            if found != trials:
                raise ValueError(
                    f"{who} measured part {which} {found} times, others {trials}: a crossed "
                    "study needs equal numbers"
                )
    return _finite(np.array([[cells[who, which] for which in parts] for who in people]))


def _groups(batch: Sequence[str], value: Sequence[float]) -> NDArray[np.float64]:
    groups: dict[str, list[float]] = {}
    for which, measured in zip(batch, value, strict=True):
        groups.setdefault(which, []).append(float(measured))
    size = max((len(values) for values in groups.values()), default=0)
    if size < 2:
        raise ValueError("a nested study needs at least two parts in every batch")
    for which, values in groups.items():
        if len(values) != size:
            raise ValueError(
                f"batch {which} has {len(values)} parts, others {size}: a nested study needs "
                "equal numbers"
            )
    return _finite(np.array(list(groups.values())))


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    if not np.isfinite(values).all():
        raise ValueError("a value is not a finite number")
    return values
