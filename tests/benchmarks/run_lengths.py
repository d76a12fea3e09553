"""Run lengths of mixtures by simulation: seeded, many courses at once, block by block."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from station.statistics.mixture import Mixture

BLOCK = 128

Mean = Callable[[NDArray[np.int64]], NDArray[np.float64]]
"""From sample numbers, shape (n,), to the mean scores there, shape (n, characteristics)."""


def steady(characteristics: int) -> Mean:
    """Nothing changes."""
    return lambda number: np.zeros((number.size, characteristics))


def shifted(direction: tuple[float, ...], size: float, after: int = 0) -> Mean:
    """A lasting shift that begins with sample ``after`` + 1."""
    along = size * np.asarray(direction)
    return lambda number: np.where(number[:, None] > after, along, 0.0)


def ramp(direction: tuple[float, ...], slope: float, after: int = 0) -> Mean:
    """Mean ``slope`` times t along a direction, where t is 1 at sample ``after`` + 1."""
    along = slope * np.asarray(direction)
    return lambda number: np.maximum(number - after, 0)[:, None] * along


@dataclass(frozen=True)
class RunLengths:
    """Mean run length, its standard error, and the number of courses."""

    mean: float
    error: float
    courses: int


def run_lengths(
    mixture: Mixture,
    threshold: float,
    mean: Mean,
    *,
    courses: int,
    seed: int,
    after: int = 0,
    from_zero: bool = False,
) -> RunLengths:
    """Simulate courses to their signal.

    Parameters
    ----------
    after
        Samples before the change: courses that signal in them are left out, and the others are
        counted from there.
    from_zero
        Start the sums at zero, the worst state they can be in.
    """
    rng = np.random.default_rng(seed)
    start = np.broadcast_to(
        np.zeros(len(mixture.shifts)) if from_zero else mixture.resting,
        (courses, len(mixture.shifts)),
    )
    found: list[NDArray[np.int64]] = []
    done = 0
    while len(start):
        size = min(BLOCK, after - done) if done < after else BLOCK
        number = np.arange(done + 1, done + size + 1)
        noise = rng.standard_normal((size, len(start), mixture.means.shape[1]))
        sums = mixture.sums(noise + mean(number)[:, None, :], start)
        over = mixture.evidence(sums) > threshold
        hit = over.any(axis=0)
        found.append(done + 1 + over.argmax(axis=0)[hit])
        start = sums[-1][~hit]
        done += size
    lengths = np.concatenate(found)
    lengths = lengths[lengths > after] - after
    deviation = float(lengths.std(ddof=1))
    return RunLengths(float(lengths.mean()), deviation / lengths.size**0.5, lengths.size)
