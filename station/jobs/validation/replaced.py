"""A new tool beside the one whose place it takes: the same joint, two groups of samples."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.jobs.sample import JobSample
from station.ledger.rows import SampleRow
from station.statistics.comparison import Estimate, compare


@dataclass(frozen=True, slots=True)
class ToolComparison:
    """How the new tool differs from the old one; None where either has fewer than two values.

    ``force_difference_n`` and ``resistance_difference_ohm`` are new less old, with 95 % intervals.
    """

    tool: str
    n_old: int
    force_difference_n: Estimate | None
    resistance_difference_ohm: Estimate | None


def compared_with_replaced(
    tool: str, new: Sequence[JobSample], old: Sequence[SampleRow]
) -> ToolComparison | None:
    """Compare by means with unequal variances; None where the old tool has no such sample."""
    if not old:
        return None
    new_force = [
        found.value
        for sample in new
        if (found := sample.criterion("pull_force_min")) and found.value is not None
    ]
    new_ohm = [sample.splice_ohm for sample in new if sample.splice_ohm is not None]
    return ToolComparison(
        tool,
        len(old),
        _difference(new_force, [row.peak_n for row in old if row.peak_n is not None]),
        _difference(new_ohm, [row.splice_ohm for row in old if row.splice_ohm is not None]),
    )


def _difference(new: Sequence[float], old: Sequence[float]) -> Estimate | None:
    if min(len(new), len(old)) < 2:
        return None
    try:
        return compare(new, old, names=("the new tool", "the old tool")).difference
    except ValueError:
        return None  # no spread in either: nothing can be said of chance
