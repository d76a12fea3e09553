"""What happens along a force trace: noise, steepest climb, falls and new rises, a hold. Pure.

Nothing here loops over samples: ten million of them take some seconds.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.uncertainty import coverage_factor

Values = NDArray[np.float64]

MAX_TURNS = 20_000
"""A trace with more turning points than this is first thinned to the extremes of equal blocks."""


FEW = 12
"""Samples on the rise below which their scatter is not known well."""

ENOUGH_BLOCKS = 20
"""Means of samples from which on a corner of the rise is not taken for their scatter."""

FEW_VALUES = 8
"""Different forces below which a common step of theirs may be chance."""

FEW_MEANS = 8
"""Means of a force at rest or held, below which their scatter is not known."""

LARGEST_BLOCK = 32
"""Longer means are expected to scatter as white noise from there on."""

NOISE_GUESS = 0.01
"""Share of the highest force: the noise that is guessed where a trace is too short to show it."""


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
    """Spread of samples about a smooth curve through their neighbours, in newton.

    The largest quarter is left out, so that teeth and corners do not count as noise; it keeps what
    rounding to whole digits does. Zero for fewer than six samples.
    """
    if force.size < 6:
        return 0.0
    share = (time[1:-1] - time[:-2]) / (time[2:] - time[:-2])
    bend = force[1:-1] - (force[:-2] * (1.0 - share) + force[2:] * share)
    # The change of the bend: a steady one is the curve's own. Its variance is that of a sample
    # times 1/4 + 9/4 + 9/4 + 1/4.
    residual = np.abs(np.diff(bend)) / 5.0**0.5
    kept = np.partition(residual, residual.size * 3 // 4)[: residual.size * 3 // 4 + 1]
    # The mean square of a normal variable cut off at its 75 % point is 0.368 of the whole.
    return float(np.sqrt(np.mean(kept**2) / 0.368))


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far samples and means of samples scatter, in newton.

    Attributes
    ----------
    of_blocks
        Number of neighbours, and the standard deviation of their mean as it was seen.
    noise_n
        Standard deviation of a sample about its neighbours.
    step_n
        Last digit of the forces; 0.0 where they show none.
    """

    of_blocks: tuple[tuple[int, float], ...]
    noise_n: float
    step_n: float

    def of_mean(self, size: int) -> float:
        """Standard deviation of a mean: as seen, no better than white noise from there on.

        Noise that went through a filter falls slower than the root of the number.
        """
        return max(sd * math.sqrt(min(1.0, block / size)) for block, sd in self.of_blocks)

    def also(self, of_blocks: tuple[tuple[int, float], ...]) -> "Scatter":
        """The same, with what was seen elsewhere."""
        return replace(self, of_blocks=self.of_blocks + of_blocks)


def scatter_of(
    time: Values, force: Values, rise: slice, least_step_n: float = 0.0, begins: int = 0
) -> Scatter:
    """Scatter on the rise of a trace and at rest before it ``begins``; a wide guess if short."""
    times, forces = time[rise], force[rise]
    step_n = max(_step(forces), least_step_n)
    seen, block = [*scatter_about_parabola(_at_rest(force[:begins]))], 1
    while forces.size // block >= (ENOUGH_BLOCKS if block > 1 else 6) and block <= LARGEST_BLOCK:
        whole = forces.size // block * block
        means = [values[-whole:].reshape(-1, block).mean(axis=1) for values in (times, forces)]
        # Neighbours that were filtered together are alike: those four apart tell the scatter.
        for apart in (1, 4):
            count = means[0].size // apart
            if apart == 1 or count >= ENOUGH_BLOCKS:
                # Each residual shares samples with its neighbours: about half as many are free.
                few = coverage_factor(0.95, max(1, (count - 3) // 2))
                sd = noise_sd(*(values[::apart] for values in means))
                seen.append((block, sd * few / coverage_factor(0.95, math.inf)))
        block *= 2
    if forces.size < FEW:
        at_rest = noise_sd(time, force) if time.size >= FEW else 0.0
        guess = at_rest if seen else max(at_rest, NOISE_GUESS * float(force.max()))
        seen = [(1, max(guess, *(sd for _, sd in seen), 0.0))]
    # A force that flickers between two digits now and then hides its noise: a digit's own is least.
    seen.append((1, step_n / math.sqrt(12.0)))
    return Scatter(tuple(seen), noise_sd(times, forces), step_n)


def _at_rest(before: Values) -> Values:
    """What of the forces before a climb lies before it began to climb."""
    if not before.size:
        return before
    return before[: int(np.flatnonzero(before <= np.median(before))[-1]) + 1]


def scatter_about_parabola(force: Values) -> tuple[tuple[int, float], ...]:
    """Scatter of means of a force at rest or held, in the form of `Scatter.of_blocks`.

    Other than the scatter about neighbours it sees slow noise, as a smoothing tester leaves it. As
    many samples that are alike tell as little as n (1 - r)/(1 + r) that are not, r the correlation
    of neighbours (Bayley & Hammersley 1946) [memory].
    """
    seen, block = [], 1
    while (count := force.size // block) >= FEW_MEANS:
        means = force[: count * block].reshape(count, block).mean(axis=1)
        line = np.linspace(-1.0, 1.0, count)
        bend = line**2 - float(line @ line) / count
        left = means - means.mean()
        left -= line * (float(line @ means) / float(line @ line))
        left -= bend * (float(bend @ means) / float(bend @ bend))
        whole = float(left @ left)
        alike = max(float(left[1:] @ left[:-1]) / whole, 0.0) if whole else 0.0
        free = max(1, math.floor((count - 3) * (1.0 - alike) / (1.0 + alike)))
        few = coverage_factor(0.95, free) / coverage_factor(0.95, math.inf)
        seen.append((block, few * math.sqrt(whole / (count - 3))))
        block *= 2
    return tuple(seen)


def _step(force: Values) -> float:
    """Step that all forces are multiples of (Euclid's algorithm); 0.0 where there is none."""
    values = np.unique(np.abs(force[:: max(1, force.size // MAX_TURNS)]))
    values = values[values > 0.0]
    step = float(values[0]) if values.size >= FEW_VALUES else 0.0
    while step > 1e-6 * values[-1]:
        left = np.abs(values - step * np.round(values / step))
        left = left[left > 0.02 * step]
        if not left.size:
            # An exact ramp is made of equal steps too, but of nothing else.
            return step if np.ptp(np.round(np.diff(force) / step)) > 0.0 else 0.0
        step = float(left.min())
    return 0.0


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
