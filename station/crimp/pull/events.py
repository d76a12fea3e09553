"""What happens along a force trace: noise, steepest climb, falls and new rises, a hold. Pure.

Nothing here loops over samples: ten million of them take about a second.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

MAX_TURNS = 20_000
"""A trace with more turning points than this is first thinned to the extremes of equal blocks."""


@dataclass(frozen=True, slots=True)
class Fall:
    """A fall of the force that was followed by a new rise.

    Attributes
    ----------
    high, low, next_high
        Sample numbers of where it fell from, where it fell to, and the top of the new rise.
    """

    high: int
    low: int
    next_high: int


def usual_gap_s(time: Values) -> float:
    """Median of the gaps between samples, in s; as `numpy.median`, in a sixth of its time."""
    gaps = np.diff(time)
    lower, upper = (gaps.size - 1) // 2, gaps.size // 2
    gaps.partition((lower, upper))
    return float((gaps[lower] + gaps[upper]) / 2.0)


def noise_sd(time: Values, force: Values) -> float:
    """Spread of samples about the line through their neighbours, in newton.

    The largest tenth is left out, so that teeth do not count as noise; it keeps what rounding to
    whole digits does. Zero for fewer than five samples.
    """
    if force.size < 5:
        return 0.0
    share = (time[1:-1] - time[:-2]) / (time[2:] - time[:-2])
    between = force[:-2] * (1.0 - share) + force[2:] * share
    spread = np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    residual = np.abs((force[1:-1] - between) / spread)
    kept = np.partition(residual, residual.size * 9 // 10)[: residual.size * 9 // 10 + 1]
    # The mean square of a normal variable cut off at its 90 % point is 0.61 of the whole.
    return float(np.sqrt(np.mean(kept**2) / 0.61))


def steepest_climb(time: Values, force: Values, noise_n: float) -> float | None:
    """Steepest slope of a rise in N/s, over windows long enough that noise does not matter.

    A joint cannot climb faster than the crosshead's speed times the rig's stiffness, so that this
    is also the fastest it can climb between two samples. None for fewer than two samples.
    """
    if force.size < 2:
        return None
    mean_rate = (force.max() - force.min()) / (time[-1] - time[0])
    period = (time[-1] - time[0]) / (time.size - 1)
    # Two means of `half` samples each, `half` periods apart, tell the slope to within this.
    half = 1
    while (
        half < force.size // 8 and noise_n * (2.0 / half) ** 0.5 > 0.1 * mean_rate * half * period
    ):
        half += max(1, half // 3)
    slopes = _slopes(time, force, half)
    return max(float(slopes.max()), 0.0)


def _slopes(time: Values, force: Values, half: int) -> Values:
    def means(values: Values) -> Values:
        total = np.concatenate(([0.0], np.cumsum(values - values[0])))
        return (total[half:] - total[:-half]) / half

    mean_time, mean_force = means(time), means(force)
    return (mean_force[half:] - mean_force[:-half]) / (mean_time[half:] - mean_time[:-half])


def falls(force: Values, least: float) -> list[Fall]:
    """Falls of at least ``least`` newton that were followed by a rise of at least half as much."""
    turns = _turning_points(force)
    high_n = low_n = float(force[0])
    found: list[Fall] = []
    high = low = 0
    pending: tuple[int, int] | None = None
    falling = False
    for index, value in zip(turns.tolist(), force[turns].tolist(), strict=True):
        if falling:
            if value < low_n:
                low, low_n = index, value
            if value > low_n + least / 2.0:
                pending, falling, high, high_n = (high, low), False, index, value
        elif value > high_n:
            high, high_n = index, value
        elif value < high_n - least:
            if pending is not None:
                found.append(Fall(*pending, high))
            pending, falling, low, low_n = None, True, index, value
    if pending is not None:
        found.append(Fall(*pending, high))
    return found


def _turning_points(force: Values) -> NDArray[np.int64]:
    """Sample numbers of the first, the last and every local extreme, thinned where too many."""
    step = np.diff(force)
    moving = np.flatnonzero(step)
    turn = moving[1:][np.sign(step[moving[1:]]) != np.sign(step[moving[:-1]])]
    turns = np.concatenate(([0], turn, [force.size - 1])).astype(np.int64)
    if turns.size <= MAX_TURNS:
        return turns
    edges = np.linspace(0, turns.size, MAX_TURNS // 2 + 1).astype(np.int64)[:-1]
    block = np.searchsorted(edges, np.arange(turns.size), side="right")
    order = np.lexsort((force[turns], block))
    lowest = order[edges]
    highest = order[np.append(edges[1:], turns.size) - 1]
    return np.unique(turns[np.concatenate((lowest, highest))])


def longest_stretch_s(time: Values, held: NDArray[np.bool_]) -> float:
    """Longest time for which a condition held at every sample, in s."""
    edge = np.diff(np.concatenate(([False], held, [False])).astype(np.int8))
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1
    return float((time[ends] - time[begins]).max()) if begins.size else 0.0
