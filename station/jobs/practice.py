"""Practice between certifications: an apprentice's last five crimps, and what to practise."""

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from station.crimp.causes import Cause
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.shop.hints import hints_by_sample

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
        The likeliest cause of each fault, its hint, what to look at, and in how many samples.
    """

    person: str
    samples: tuple[SampleRow, ...]
    to_practise: tuple[tuple[str, str, str, int], ...]

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


def practice_sets(reader: LedgerReader, causes: tuple[Cause, ...]) -> list[PracticeSet]:
    """Return the set of every apprentice who practised lately, the last to do so first."""
    found = []
    for person in reader.people():
        if person.role == "apprentice":
            newest = reader.samples(person=person.name, limit=NEWEST)
            made = [row for row in newest if row.job == JOB and row.verdict not in (None, "void")]
            if rows := made[:SET]:
                hints = hints_by_sample(reader, rows, causes).values()
                likely = Counter(
                    (one.cause, one.hint, one.look_at) for of in hints for one in of[:1]
                )
                practise = tuple((*what, count) for what, count in likely.most_common(MOST))
                found.append(PracticeSet(person.name, tuple(rows), practise))
    return sorted(found, key=lambda one: one.newest_at, reverse=True)
