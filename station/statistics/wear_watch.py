"""The wear watch: is this nest still what it was when its tool was validated?

Every sample asks of every earlier moment: had the nest become worse just then, how much more likely
were its samples since? The sum of these likelihood ratios (Shiryaev 1963, Roberts 1966) grows by
one a sample while nothing has changed, whatever the baseline, so that a level on it keeps its
promise of false alarms with a baseline of any size (Pollak & Siegmund 1991; mixture over sizes of
change: Lai & Xing 2010). A change right after the baseline, a nest that was never as good as its
validation, gets a head start (Moustakides, Polunchenko & Tartakovsky 2011).

Nothing is taken as known: for each joint mean and deviation are integrated over every value, with
the prior that is the same in every unit, so that the ratios are those of what does not depend on
unit and zero. With N values, baseline among them, whose sum of squares about their mean is S, and
with k of them since the moment, P = sum of those less k times the mean, I = k (N - k) / N::

    ratio = E[exp(size P u / sqrt(S))] exp(-size^2 I / 2)    u: chi with N - 1 degrees of freedom

where E of the exponential is that of a normal u with mean sqrt(N - 1.5) and variance one half,
close to 3 % for any N of a baseline. A lasting change so stays against the baseline as it was
before it, and cannot hide in it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Characteristic = Literal["force", "resistance", "both", "height"]

DEFAULT_RUN_LENGTH = 5_000
"""One false alarm in about so many samples of a nest."""

SIZES = (0.7, 1.25)
"""Changes that are asked about, in standard deviations of the baseline, equally likely."""

DIRECTIONS: tuple[Characteristic, ...] = ("force", "resistance", "both")
SHARES = (0.36, 0.36, 0.28)
"""How likely each direction is."""

LEVEL, SPENT_WITHIN = 0.62, 250.0
"""The level over the run length, before the head start is paid for: below one for what the sum
leaps over at the signal. The level is then raised by what so many samples can save, so that the
share of nests flagged within them is the promised one. By simulation
(``tests/benchmarks/detection.py``), and so are the sizes, shares and the head start."""

SHORTEST_RUN = 50.0
"""The promise holds within a tenth from 100 on; at 50 with a baseline of 20 it is 41."""

CAP = 4.0
"""No value counts as farther out than this many deviations: an odd sample is not yet a change."""

KNOWN = 1e9
"""Size of a baseline whose mean and deviation are known."""

FAINT = 1e-3
"""A moment that weighs less, where a new sample weighs one, is forgotten."""

FEWEST_SITTINGS = 20
"""Of fewer sittings it is not known whether their crimps are alike."""

BLOCK = 32


@dataclass(frozen=True, slots=True)
class WearFlag:
    """A nest has changed.

    Attributes
    ----------
    characteristic
        What changed, by the share of the sum at the signal.
    signal_position
        Position, among the nest's samples, of the one that signalled.
    """

    characteristic: Characteristic
    signal_position: int


def watch_nest(
    worse: Values,
    joints: Sequence[int] | NDArray[np.intp],
    baseline_sizes: Sequence[float],
    *,
    run_length: float = DEFAULT_RUN_LENGTH,
    sittings: NDArray[np.intp] | None = None,
) -> WearFlag | None:
    """Run the wear watch over the samples of one nest since its last service.

    Parameters
    ----------
    worse
        Shape (n, 2): distances of force and resistance from the baseline, in its deviations, worse
        counted up, in time order; NaN where there is none. Of a single characteristic the other
        column is all NaN.
    joints
        Shape (n,): index of each sample's joint.
    baseline_sizes
        Samples behind each joint's baseline.
    run_length
        In-control run length, in samples: one false alarm in about so many.
    sittings
        As for `evidence`.
    """
    found = first_signal(worse, np.asarray(joints), baseline_sizes, run_length, sittings)
    return None if found is None else WearFlag(DIRECTIONS[int(np.argmax(found[1]))], found[0])


def first_signal(
    worse: Values,
    joints: NDArray[np.intp],
    baseline_sizes: Sequence[float],
    run_length: float,
    sittings: NDArray[np.intp] | None = None,
    before: Values | None = None,
) -> tuple[int, Values] | None:
    """Position of the first signal and the share of each direction then; None without one.

    ``sittings`` and ``before`` are as for `evidence`. A further axis of ``worse`` holds different
    sides of the same samples, equally likely.

    Raises
    ------
    ValueError
        The run length is too short to be promised.
    """
    if not np.isfinite(worse).any():
        return None
    head, level = start_and_level(run_length)
    blocks = evidence(
        worse, joints, baseline_sizes, head_start=head, sittings=sittings, before=before
    )
    for first, sums in blocks:
        shares = sums.reshape(*sums.shape[:2], -1).mean(axis=2)
        over = shares.sum(axis=0) > level
        if over.any():
            row = int(np.argmax(over))
            return first + row, shares[:, row]
    return None


def start_and_level(run_length: float) -> tuple[float, float]:
    """The head start, in samples, and the level at which the sum signals.

    Raises
    ------
    ValueError
        The run length is too short to be promised.
    """
    if not SHORTEST_RUN <= run_length < math.inf:
        raise ValueError(
            f"the in-control run length must be at least {SHORTEST_RUN:g}, not {run_length:g}"
        )
    head = min(3.0 * math.sqrt(run_length), run_length / 9.0)
    return head, LEVEL * run_length * (1.0 + head / SPENT_WITHIN)


def samples_to_find(shift: float, known: float, run_length: float) -> int | None:
    """Samples within which a change that begins now is found nine times in ten; None if not so.

    Parameters
    ----------
    shift
        In standard deviations of the baseline.
    known
        Samples before it, those of the baseline among them.
    """
    _, level = start_and_level(run_length)
    # What one moment needs, its neighbours helping by a factor of eight: by simulation.
    nats = 2.0 * math.log(max(level / 8.0, 1.0))
    information = ((math.sqrt(nats) + 1.28) / shift) ** 2
    if information >= known:
        return None
    return math.ceil(information * known / (known - information))


def evidence(
    worse: Values,
    joints: NDArray[np.intp],
    baseline_sizes: Sequence[float],
    *,
    head_start: float,
    sittings: NDArray[np.intp] | None = None,
    before: Values | None = None,
    block: int = BLOCK,
) -> Iterator[tuple[int, Values]]:
    """The sums of likelihood ratios, block by block.

    Parameters
    ----------
    worse
        Shape (n, 2, ...): further axes are other nests with the same joints and gaps.
    sittings
        Shape (n,): number of the sitting of each sample, rising from 0. What crimps of one sitting
        have in common is learnt (`widening`) and allowed for; None where sittings are not known.
    before
        Shape (m, 2, ...): the baseline's own samples, where their sittings tell too: ``sittings``
        then has shape (m + n,).

    Yields
    ------
    Position of the block's first sample, and shape (3, rows, ...): the share of each direction.
    """
    totals = _Totals.of(worse, joints, baseline_sizes)
    moments: NDArray[np.intp] = np.zeros(0, dtype=np.intp)
    factors, learnt = np.ones(2), FEWEST_SITTINGS // 2
    all_known = worse if before is None else np.concatenate([before, worse])
    for first in range(0, len(worse), block):
        stop = min(first + block, len(worse))
        rows = np.arange(first, stop) + 1
        moments = np.append(_thinned(moments, first), np.arange(first, stop))
        known = len(all_known) - len(worse) + first
        if sittings is not None and sittings[known] >= 2 * learnt:
            factors, learnt = widening(all_known[:known], sittings[:known]), int(sittings[known])
        shares = totals.shares(rows)
        weights = totals.weights(rows, moments) * shares[:, :, None]
        terms = [totals.since(rows, moments, place, factors[place]) for place in (0, 1)]
        parts = _parts(terms, weights, head_start * shares)
        yield first, parts.sum(axis=2)
        largest = np.moveaxis(parts[:, -1], 1, 0).reshape(moments.size, -1).max(axis=1)
        moments = moments[(largest > FAINT) | (moments == 0)]


def widening(worse: Values, sittings: NDArray[np.intp]) -> Values:
    """By how much sums vary more than those of independent samples, shape (2,), at least 1.

    With r the correlation of neighbours in a sitting it is (1 + r) / (1 - r) where each is like the
    one before it, and 1 + (m - 1) r where sittings of m samples differ: the greater of the two. One
    is taken where fewer than :data:`FEWEST_SITTINGS` sittings or pairs are known.

    Parameters
    ----------
    worse
        Shape (n, 2), as for `watch_nest`, of samples in which nothing has changed.
    sittings
        Shape (n,): number of each sample's sitting.
    """
    factors = np.ones(2)
    together, number = np.diff(sittings) == 0, np.unique(sittings).size
    side = worse.reshape(*worse.shape[:2], -1)[:, :, 0]
    for place, values in enumerate(np.clip(side, -CAP, CAP).T):
        steps = np.diff(values)[together]
        steps = steps[np.isfinite(steps)]
        if min(number, steps.size) < FEWEST_SITTINGS:
            continue
        variance = float(np.nanvar(values, ddof=1))
        alike = 1.0 - float(np.mean(steps**2)) / 2.0 / variance if variance > 0.0 else 0.0
        r = min(max(alike, 0.0), 0.9)
        factors[place] = max((1.0 + r) / (1.0 - r), 1.0 + (len(sittings) / number - 1.0) * r)
    return factors


def _thinned(moments: NDArray[np.intp], now: int) -> NDArray[np.intp]:
    """Moments that still speak for themselves: the older, the fewer; the first one always.

    Sixteen in each octave of age; the samples between are counted with the one before them.
    """
    apart = np.maximum(np.floor(np.log2(np.maximum(now - moments, 1))) - 4.0, 0.0)
    kept: NDArray[np.intp] = moments[moments % (1 << apart.astype(np.intp)) == 0]
    return kept


def _parts(terms: Sequence[tuple[Values, Values]], weights: Values, head: Values) -> Values:
    """Weighted likelihood ratios of every moment, over all sizes, shape (3, rows, moments, ...).

    ``head``, shape (3, rows), is what the first moment weighs beyond its own sample.
    """
    (gain, information), (other_gain, other_information) = terms
    both = (gain + other_gain) * 0.5**0.5, (information + other_information) * 0.5
    parts = np.empty((3, *gain.shape))
    beyond = (1,) * (gain.ndim - 2)
    for place, (along, square) in enumerate((*terms, both)):
        ratios = [np.exp(np.minimum(d * along - d * d / 2.0 * square, 500.0)) for d in SIZES]
        weight = weights[place].reshape(*weights.shape[1:], *beyond)
        parts[place] = sum(ratios) * (weight / len(SIZES))
        parts[place][:, 0] += ratios[0][:, 0] * head[place].reshape(-1, *beyond)
    return parts


@dataclass(frozen=True, slots=True)
class _Totals:
    """Running totals before each sample and after the last, by joint, characteristic and samples.

    Sums and squares have further axes behind; ``known`` has shape (3, n + 1): samples that tell of
    each direction.
    """

    sizes: Values
    count: Values
    sum: Values
    square: Values
    known: Values

    @classmethod
    def of(
        cls, worse: Values, joints: NDArray[np.intp], baseline_sizes: Sequence[float]
    ) -> "_Totals":
        seen = np.isfinite(worse)
        value = np.where(seen, np.clip(worse, -CAP, CAP), 0.0)
        told = seen.reshape(*seen.shape[:2], -1)[..., 0].T
        inside = joints == np.arange(len(baseline_sizes))[:, None]

        def running(each: Values) -> Values:
            return np.array([[_running(each[:, c], own) for c in (0, 1)] for own in inside])

        return cls(
            np.minimum(np.asarray(baseline_sizes, dtype=np.float64), KNOWN),
            running(told.T.astype(np.float64)),
            running(value),
            running(value**2),
            np.array([_running(one) for one in (*told, told.any(axis=0))]),
        )

    def since(
        self, rows: NDArray[np.intp], moments: NDArray[np.intp], place: int, factor: float
    ) -> tuple[Values, Values]:
        """Slope and curvature of the log ratios at size 0, each of shape (rows, moments, ...).

        Both are divided by the factor by which the sums vary more than those of independent values.
        """
        gain: Values = np.zeros(())
        information: Values = np.zeros(())
        for size, count, run, square in zip(
            self.sizes, self.count[:, place], self.sum[:, place], self.square[:, place], strict=True
        ):
            number = (size + count[rows]).reshape(-1, *(1,) * (run.ndim - 1))
            total = run[rows]
            spread = size - 1.0 + square[rows] - total**2 / number
            k = np.subtract.outer(count[rows], count[moments])
            k = k.reshape(k.shape + (1,) * (run.ndim - 1))
            part = (total[:, None] - run[moments]) - k * (total / number)[:, None]
            gain = gain + part * np.sqrt((number - 1.5) / spread)[:, None]
            information = information + (
                k - k * k / number[:, None] - part * part * (0.5 / spread)[:, None]
            )
        return gain / factor, information / factor

    def shares(self, rows: NDArray[np.intp]) -> Values:
        """How likely each direction is, of those of which there has been a sample: (3, rows)."""
        seen = self.known[:, rows] > 0.0
        seen[2] = seen[0] & seen[1]
        share = seen * np.array(SHARES)[:, None]
        return np.asarray(share / np.maximum(share.sum(axis=0), min(SHARES)))

    def weights(self, rows: NDArray[np.intp], moments: NDArray[np.intp]) -> Values:
        """Samples that each moment speaks for in each direction, shape (3, rows, moments)."""
        group = np.diff(self.known[:, np.append(moments, rows[-1])])
        return np.asarray((rows[:, None] > moments) * group[:, None])


def _running(values: NDArray[np.bool_] | Values, own: NDArray[np.bool_] | None = None) -> Values:
    if own is not None:
        values = values * own.reshape(own.shape + (1,) * (values.ndim - 1))
    return np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
