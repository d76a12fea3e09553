"""What was seen of a job's samples before their pull, question by question."""

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from station.crimp.connectors import CheckItem, ConnectorBook


class LookRow(NamedTuple):
    """How often a look was answered, and how."""

    item: CheckItem
    yes: int
    no: int
    not_answered: int


def look_rows(
    book: ConnectorBook, samples: Iterable[tuple[str, Mapping[str, bool]]]
) -> list[LookRow]:
    """Count the answers of samples, each given as its connector and its checklist.

    Nothing where nobody was asked, as in records from before the looks stood on the bench.
    """
    found: dict[CheckItem, Counter[bool | None]] = {}
    for connector, checklist in samples:
        for item, good in book.answers(connector, checklist):
            found.setdefault(item, Counter())[good] += 1
    rows = [LookRow(item, n[True], n[False], n[None]) for item, n in found.items()]
    return rows if any(row.yes or row.no for row in rows) else []
