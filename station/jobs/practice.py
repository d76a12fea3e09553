"""Practice between certifications: an apprentice's last five crimps, and what to practise."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from station.crimp.causes import Cause
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.shop.hints import sample_hints

JOB = "practice"
SET = 5
"""Crimps in a set: our own choice, few enough for a morning."""
NEWEST = 50
"""Samples of a person that are looked at: practice longer ago is left out."""
MOST = 3


@dataclass(frozen=True, slots=True)
class PracticeSet:
    """The last crimps that somebody made for practice, at most `SET`; voids do not count.

    Attributes
    ----------
    samples
        The newest first.
    to_practise
        The likeliest hint of what is behind each fault, what to look at, and in how many samples.
    """

    person: str
    samples: tuple[SampleRow, ...]
    to_practise: tuple[tuple[str, str, int], ...]

    @property
    def passed(self) -> int:
        """How many of them passed."""
        return sum(row.verdict == "pass" for row in self.samples)

    @property
    def left(self) -> int:
        """How many are still to be made until the first set is whole."""
        return SET - len(self.samples)

    @property
    def newest_at(self) -> datetime:
        """When the newest one was begun."""
        return self.samples[0].at_utc


def practice_sets(reader: LedgerReader, causes: Sequence[Cause]) -> list[PracticeSet]:
    """Return the set of every apprentice who practised lately, the last to do so first."""
    found = []
    for person in reader.people():
        if person.role == "apprentice":
            newest = reader.samples(person=person.name, limit=NEWEST)
            made = [row for row in newest if row.job == JOB and row.verdict not in (None, "void")]
            if rows := made[:SET]:
                found.append(
                    PracticeSet(person.name, tuple(rows), _to_practise(reader, rows, causes))
                )
    return sorted(found, key=lambda one: one.newest_at, reverse=True)


def _to_practise(
    reader: LedgerReader, rows: Sequence[SampleRow], causes: Sequence[Cause]
) -> tuple[tuple[str, str, int], ...]:
    baselines = reader.baselines()
    seen: Counter[tuple[str, str]] = Counter()
    for row in rows:
        sample = reader.finished_payload(row.sample_id)
        if sample is None:
            continue
        hints = sample_hints(sample, baselines.get(row.joint_key), tuple(causes))
        seen.update((hint.hint, hint.look_at) for hint in hints[:1])
    return tuple((*what, count) for what, count in seen.most_common(MOST))
