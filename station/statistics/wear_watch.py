"""The wear watch: is this nest still what it was when its tool was validated?

Each sample of a nest brings up to two standard scores, force (bad is down) and resistance (bad is
up). A one-sided cumulative sum runs on either; the nest is flagged when one of them signals.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from station.statistics.drift import CusumResult, cusum, cusum_threshold

REFERENCE = 1.25
"""Half the shift, in standard deviations, that the sums are quickest to find."""

SCORE_CAP = 3.0
"""No sample counts for more than this: one odd crimp is a bad sample, not a worn nest."""

DEFAULT_RUN_LENGTH = 1_000_000
"""One false alarm in about so many samples of a nest and characteristic."""

Characteristic = Literal["force", "resistance"]


@dataclass(frozen=True, slots=True)
class WearFlag:
    """A nest has changed.

    Attributes
    ----------
    characteristic
        Which of the two gave the signal first.
    signal_position
        Position, among the nest's samples, of the one that signalled.
    change_began_position
        Position at which the change is estimated to have begun.
    """

    characteristic: Characteristic
    signal_position: int
    change_began_position: int


@dataclass(frozen=True, slots=True)
class NestWatch:
    """State of the wear watch of one nest: two sums, their positions, and the flag if any."""

    force: CusumResult
    force_positions: tuple[int, ...]
    resistance: CusumResult
    resistance_positions: tuple[int, ...]
    flag: WearFlag | None


def watch_nest(
    force_scores: Sequence[float | None],
    resistance_scores: Sequence[float | None],
    *,
    run_length: float = DEFAULT_RUN_LENGTH,
) -> NestWatch:
    """Run the wear watch over the samples of one nest since its last service.

    Parameters
    ----------
    force_scores, resistance_scores
        In time order, one per sample; None where it was not measured, void, or has no baseline.
    run_length
        In-control run length of each of the two sums, in samples.
    """
    threshold = cusum_threshold(REFERENCE, float(run_length))
    force, force_at = _run([None if s is None else -s for s in force_scores], threshold)
    resistance, resistance_at = _run(resistance_scores, threshold)
    flags = [
        flag
        for flag in (
            _flag("force", force, force_at),
            _flag("resistance", resistance, resistance_at),
        )
        if flag is not None
    ]
    first = min(flags, key=lambda flag: flag.signal_position, default=None)
    return NestWatch(force, force_at, resistance, resistance_at, first)


def _run(scores: Sequence[float | None], threshold: float) -> tuple[CusumResult, tuple[int, ...]]:
    known = [(position, s) for position, s in enumerate(scores) if s is not None]
    result = cusum([min(s, SCORE_CAP) for _, s in known], reference=REFERENCE, threshold=threshold)
    return result, tuple(position for position, _ in known)


def _flag(
    characteristic: Characteristic, result: CusumResult, positions: tuple[int, ...]
) -> WearFlag | None:
    if result.signal_index is None or result.change_began_index is None:
        return None
    return WearFlag(
        characteristic, positions[result.signal_index], positions[result.change_began_index]
    )
