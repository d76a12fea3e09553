"""Where the traces of a ledger stand, and how one is found by its hash.

A hash says nothing of when its trace was written, so an index of hashes alone is written to all
over: over a million traces, every sample would first wait for a page of it to come off the disk.
So traces stand in parts, by the number of the entry that brought them, and a new one among the
latest. One whose entry is known is looked for in the part of that; else in one part after another.
A trace that comes again long after may so stand in two parts; those of an import, which come
before its entries, stand in one. Ledgers made before have no parts.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Self

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Select,
    Table,
    and_,
    exists,
    select,
    tuple_,
)

from station.ledger import tables
from station.ledger.database import hops, run

ENTRIES_TO_A_PART = 10_000


_ADD = {table: table.insert().inline() for table in (tables.trace, tables.trace_without_parts)}


def part_of(seq: int) -> int:
    """Return the part in which the trace stands that the entry of this number brought."""
    return seq // ENTRIES_TO_A_PART


@dataclass(frozen=True)
class TraceRows:
    """The traces of one ledger, in whichever of the two tables it has. Use `of`."""

    table: Table

    @classmethod
    def of(cls, connection: Connection) -> Self:
        """Return those of the ledger that this connection is to."""
        parted = tables.traces_have_parts(connection)
        return cls(tables.trace if parted else tables.trace_without_parts)

    def all(self) -> Select[Any]:
        """Return the query for every row, in the order of the index."""
        return select(self.table).order_by(*self.table.primary_key.columns)

    def add(self, connection: Connection, sha256: str, data: bytes, seq: int) -> None:
        """Write a trace that the entry of this number brings.

        Raises
        ------
        sqlalchemy.exc.IntegrityError
            It stands there already.
        """
        row = {"part": part_of(seq), "sha256": sha256, "data": data}
        known = {name: value for name, value in row.items() if name in self.table.c}
        run(connection, _ADD[self.table], known)

    def remove(self, connection: Connection, sha256: str) -> None:
        """Take away what an entry said is dropped; the table refuses to let anything else go."""
        gone = self._is(sha256, self._parts(connection))
        connection.execute(self.table.delete().where(gone))

    def data(self, connection: Connection, sha256: str, near_seq: int | None) -> bytes | None:
        """Return the stored form of a trace; None where there is none.

        Parameters
        ----------
        connection : sqlalchemy.Connection
            To the ledger.
        sha256 : str
            Its key.
        near_seq : int, optional
            The number of an entry that names it: its part is looked at first.
        """
        query = select(self.table.c.data)
        if near_seq is not None:
            near = query.where(self._is(sha256, [part_of(near_seq)]))
            if (row := connection.execute(near).first()) is not None:
                return bytes(row.data)
        row = connection.execute(query.where(self._is(sha256, self._parts(connection)))).first()
        return None if row is None else bytes(row.data)

    def is_missing(
        self, connection: Connection, sha256: ColumnElement[str], seq: ColumnElement[int]
    ) -> ColumnElement[bool]:
        """Return the condition that a trace, which the entry of a number names, is nowhere."""
        # Where it should be comes first, and settles nearly all without a look into every part.
        near = exists().where(self._is(sha256, [seq // ENTRIES_TO_A_PART]))
        anywhere = exists().where(self._is(sha256, self._parts(connection)))
        return and_(~near, ~anywhere)

    def out_of_place(self, named: FromClause) -> Select[tuple[str]]:
        """Return the query for a trace in a part where no entry that names one brought it.

        ``named`` holds the ``sha256`` of each that is named, and the ``seq`` of its entry.

        Those of an import, which came before their entries, stand in the first part.
        """
        key = self.table.c.sha256
        by_anyone = key.in_(select(named.c.sha256))
        if "part" not in self.table.c:
            return select(key).where(~by_anyone).limit(1)
        part = named.c.seq // ENTRIES_TO_A_PART
        there = tuple_(key, self.table.c.part).in_(select(named.c.sha256, part))
        first = self.table.c.part == 0
        return select(key).where(~there, ~and_(first, by_anyone)).limit(1)

    def one_by_one(self, connection: Connection) -> Iterator[tuple[str, Any]]:
        """Yield each trace's hash and data as they stand there, each read by itself."""
        columns = tuple(self.table.primary_key.columns)
        for key in hops(connection, *columns):
            this = select(self.table.c.data).where(tuple_(*columns) == tuple_(*key))
            yield key[-1], connection.scalar(this)

    def _parts(self, connection: Connection) -> list[int]:
        if "part" not in self.table.c:
            return []
        return [part for (part,) in hops(connection, self.table.c.part)]

    def _is(
        self, sha256: str | ColumnElement[str], parts: Iterable[int | ColumnElement[int]]
    ) -> ColumnElement[bool]:
        wanted = self.table.c.sha256 == sha256
        return wanted if "part" not in self.table.c else wanted & self.table.c.part.in_(parts)
