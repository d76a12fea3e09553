"""A program that appends to a ledger and prints the id of every entry once it is acknowledged.

Run by the tests, with the ledger's path, a name and how many entries to append (0: without end).
"""

import itertools
import sys

from station.ledger.entries import PersonAdded
from station.ledger.store import Ledger


def main(path: str, name: str, number: int) -> None:
    with Ledger.open(path, busy_timeout_s=60) as ledger:
        for _ in range(number) if number else itertools.count():
            entry = ledger.append(PersonAdded(name=name, role="lead"), person=name)
            print(entry.id, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
