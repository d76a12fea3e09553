"""A finished sample as jobs judge it: with its present verdict. Pure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from station.crimp.verdict import owed
from station.ledger.entries import CriterionResult, Joint, SampleFinished
from station.ledger.rows import SampleRow

MIN_SPLICE_OHM = 1e-6
"""Below a microohm the logarithm says more about the meter than about the crimp."""


@dataclass(frozen=True, slots=True)
class JobSample:
    """One finished sample of a job, SI units.

    Attributes
    ----------
    step
        What the job made it for; None where the job did not say.
    verdict, failure_mode
        As they stand now: a later correction may have voided the sample or named another mode.
    criteria
        Comparisons with the limits, as they were judged.
    checklist
        Answers by item; True is good.
    splice_ohm
        None where it was not measured.
    word_only
        True for a void that rests on the operator's word alone: given up, or called a slip where
        the trace shows none, and not confirmed by a later correction. A weak crimp that is called
        void would look like this.
    not_judged
        What keeps it from passing because nobody judged it; it does not count.
    condemned_by
        What was seen that condemns it whatever it measures.
    at_utc
        When it was finished; None where that is not known.
    """

    sample_id: str
    joint: Joint
    verdict: str
    failure_mode: str | None
    criteria: tuple[CriterionResult, ...]
    checklist: Mapping[str, bool] = field(default_factory=dict)
    step: str | None = None
    splice_ohm: float | None = None
    word_only: bool = False
    not_judged: tuple[str, ...] = ()
    condemned_by: tuple[str, ...] = ()
    at_utc: datetime | None = None

    @property
    def log_resistance(self) -> float | None:
        """Natural logarithm of the joint's resistance in ohms; None where it was not measured."""
        return None if self.splice_ohm is None else math.log(max(self.splice_ohm, MIN_SPLICE_OHM))

    @property
    def void(self) -> bool:
        """True where the test, not the crimp, was bad."""
        return self.verdict == "void"

    @property
    def force_ratio(self) -> float | None:
        """Pull as force over limit; None where it was not judged."""
        found = self.criterion("pull_force_min")
        return None if found is None or found.value is None else found.value / found.limit

    def criterion(self, name: str) -> CriterionResult | None:
        """The comparison with the strictest limit of this name; of pulls, one that charts show."""
        found = [
            one for one in self.criteria if one.criterion == name and one.is_charted(self.joint)
        ]
        strict = max if name.endswith("_min") else min
        return strict(found, key=lambda one: one.limit, default=None)


def void_by_word(finished: SampleFinished, row: SampleRow) -> bool:
    """Whether a sample is void on its operator's word alone, and no later correction says so."""
    return finished.void_by == "person" and row.void_reason == finished.void_reason


def job_sample(finished: SampleFinished, row: SampleRow) -> JobSample:
    """A sample from its entry, and verdict, mode and reason as corrections left them."""
    resistance = finished.resistance
    return JobSample(
        finished.sample_id,
        finished.joint,
        row.verdict or finished.verdict,
        row.failure_mode,
        finished.criteria,
        finished.checklist,
        row.step,
        None if resistance is None else resistance.splice_ohm,
        void_by_word(finished, row),
        owed(row.not_judged, row.only) if row.unjudged else (),
        finished.condemned_by,
        row.at_utc,
    )
