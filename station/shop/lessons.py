"""Lessons: a sample that failed beside one of the same joint that passed."""

from collections.abc import Iterable
from typing import NamedTuple

from station.crimp.causes import Cause, Hint
from station.crimp.connectors import ConnectorBook
from station.crimp.pull.reduce import FAILURE_MODES
from station.ledger.entries import SampleFinished
from station.ledger.photos import photos_of
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.shop.hints import hints_by_sample

LOOKED_AT = 200
"""So many of the latest samples are looked at in search of lessons (our own choice)."""
IN_A_ROW = 5
"""Good crimps in a row that show that a fault is overcome (our own choice)."""


class Lesson(NamedTuple):
    """A failed sample, the words for what is wrong with it by their id, and its likeliest cause."""

    bad: SampleRow
    faults: dict[str, str]


def lessons(
    reader: LedgerReader, book: ConnectorBook, causes: tuple[Cause, ...], family: str | None = None
) -> list[Lesson]:
    """Return what the latest failed samples teach, the newest first; of a family only, if named."""
    failed = reader.samples(verdict="fail", limit=LOOKED_AT)
    of = {one.id for one in book.connectors.values() if family in (None, one.family)}
    rows = [row for row in failed if family is None or row.connector in of]
    written, hints = reader.finished_payloads(rows), hints_by_sample(reader, rows, causes)
    return [
        Lesson(row, _faults(row.failure_mode, sample, hints[row.sample_id], book))
        for row in rows
        if (sample := written.get(row.sample_id)) is not None
    ]


def _faults(
    mode: str | None, sample: SampleFinished, hints: list[Hint], book: ConnectorBook
) -> dict[str, str]:
    failed = [one.criterion for one in sample.criteria if one.verdict == "fail"]
    looks = [item for item, good in book.answers("", sample.checklist) if good is False]
    return {
        **dict(zip(failed, failed, strict=True)),
        **{name: words for name, words in FAILURE_MODES.items() if name == mode},
        **{item.id: item.question for item in looks},
        **{hint.cause: hint.hint for hint in hints[:1]},
    }


def good_beside(reader: LedgerReader, bad: SampleRow) -> SampleRow | None:
    """Return the latest passed sample of the same joint, one with a photo before one without."""
    passed = reader.samples(bad.tool, bad.nest, verdict="pass", limit=LOOKED_AT)
    same = [row for row in passed if row.joint_key == bad.joint_key and not row.imported]
    photos = photos_of(reader, [row.sample_id for row in same])
    shown = {one.sample_id for one in photos if not one.dropped}
    return max(same, key=lambda row: (row.sample_id in shown, row.begun_seq), default=None)


def took(reader: LedgerReader, of_fault: Iterable[Lesson]) -> list[int]:
    """Return how many crimps people made from their first with a fault until `IN_A_ROW` passed.

    Voids do not count. Left out is who has not got there yet, or began too many crimps ago.
    """
    first = {one.bad.person: one.bad.begun_seq for one in of_fault}
    found = []
    for person, since_seq in first.items():
        rows = reader.samples(person=person, limit=LOOKED_AT)
        made = [row for row in rows[::-1] if row.begun_seq >= since_seq and row.verdict != "void"]
        good = "".join("+" if row.verdict == "pass" else "-" for row in made)
        if made and made[0].begun_seq == since_seq and "+" * IN_A_ROW in good:
            found.append(good.index("+" * IN_A_ROW) + IN_A_ROW)
    return sorted(found)
