"""Lots: which are in use, and what a lot that turned out bad went into."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from station.crimp.connectors import ConnectorBook, connector_named
from station.ledger.entries import JobEnded, Joint, LotInUse, ReelAdded
from station.ledger.jobs import jobs_with
from station.ledger.lots import Bracket, bracket, ended_jobs, work_within
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRow, SampleRow, WorkRow
from station.text import demand_plain

LONGEST_LOT = 60
MOST_SAMPLES = 1_000_000


@dataclass(frozen=True, slots=True)
class Lots:
    """What a sample is made of and with, besides its reels; None where none is named."""

    terminal_lot: str | None = None
    sleeve_lot: str | None = None
    tool_serial: str | None = None


NO_LOTS = Lots()


@dataclass(frozen=True, slots=True)
class LotJoint:
    """The samples of a lot that are one joint, and the days its nest may have crimped it."""

    samples: tuple[SampleRow, ...]
    days: Bracket

    @property
    def counts(self) -> dict[str, int]:
        """How many stand how; ``unfinished`` where there is no verdict."""
        words = [row.verdict or "unfinished" for row in self.samples]
        return {word: words.count(word) for word in dict.fromkeys(words)}


@dataclass(frozen=True, slots=True)
class Recall:
    """What a lot went into, as far as is on record.

    Attributes
    ----------
    names
        The lot, and the reels that have it on their label.
    joints
        One for each joint that has samples of it, in the order of their first.
    work
        Logged in those nests on the days that it may have been crimped there.
    outcomes
        Ended jobs with some of the samples, and how many.
    before
        Lots that it took the place of, with their connector: to be compared with.
    """

    lot: str
    names: tuple[str, ...]
    samples: tuple[SampleRow, ...]
    joints: tuple[LotJoint, ...]
    work: tuple[WorkRow, ...]
    outcomes: tuple[tuple[JobRow, JobEnded, int], ...]
    before: tuple[tuple[str, str], ...]


def lots_in_use(reader: LedgerReader) -> dict[str, LotInUse]:
    """What was said last of each connector, by its id."""
    return {one.connector: one for one in reader.said(LotInUse)}


def lots_of(reader: LedgerReader, joint: Joint) -> Lots:
    """The lots that a sample of this joint is of just now, and its tool's number."""
    lot = lots_in_use(reader).get(joint.connector) or LotInUse(connector=joint.connector)
    serial = (row.serial for row in reader.tools() if row.tool == joint.tool)
    return Lots(lot.terminal_lot, lot.sleeve_lot, next(serial, None))


def described_lot(book: ConnectorBook, described: Mapping[str, str]) -> LotInUse:
    """The lots that are in use from now on, by the fields of a form (BadInput)."""
    connector = connector_named(book.connectors, described.get("connector", ""))
    lots = {
        name: demand_plain(" ".join(described.get(name, "").split())[:LONGEST_LOT], name) or None
        for name in ("terminal_lot", "sleeve_lot")
    }
    return LotInUse(connector=connector.id, **lots)


def known_lots(reader: LedgerReader) -> list[str]:
    """Every lot, reel and number of a tool that samples may be of."""
    found = [name for one in reader.said(LotInUse) for name in (one.terminal_lot, one.sleeve_lot)]
    found += [name for one in reader.said(ReelAdded) for name in (one.reel, one.lot)]
    found += [row.serial for row in reader.tools()]
    return sorted({name for name in found if name})


def names_of(reader: LedgerReader, lot: str) -> tuple[str, ...]:
    """A lot, and the reels that have it on their label."""
    reels = reader.said(ReelAdded)
    return tuple(dict.fromkeys((lot, *(one.reel for one in reels if one.lot == lot))))


def recall(reader: LedgerReader, lot: str) -> Recall:
    """Find what a lot of terminals or sleeves, a reel or its lot, or a tool's number went into."""
    names = names_of(reader, lot)
    samples = reader.samples(lots=names, limit=MOST_SAMPLES, newest_first=False)
    of_joint: dict[str, list[SampleRow]] = {}
    for row in samples:
        of_joint.setdefault(row.joint_key, []).append(row)
    joints = tuple(
        LotJoint(tuple(rows), bracket(reader, rows[0], rows[-1])) for rows in of_joint.values()
    )
    counts = jobs_with(reader, samples)
    ended = ended_jobs(reader, list(counts))
    outcomes = tuple((job, end, counts[job.job_id]) for job, end in ended)
    before = tuple(_before(reader, lot))
    return Recall(lot, names, tuple(samples), joints, _work(reader, joints), outcomes, before)


def _work(reader: LedgerReader, joints: Iterable[LotJoint]) -> tuple[WorkRow, ...]:
    found = {
        row.seq: row
        for joint in joints
        for row in work_within(reader, joint.samples[0].tool, joint.samples[0].nest, joint.days)
    }
    return tuple(sorted(found.values(), key=lambda row: (row.day, row.seq)))


def _before(reader: LedgerReader, lot: str) -> Iterable[tuple[str, str]]:
    """Yield the lots that this one took the place of, each with its connector."""
    last: dict[tuple[str, str], str | None] = {}
    for one in reader.said(LotInUse):
        for name in ("terminal_lot", "sleeve_lot"):
            key, now = (one.connector, name), getattr(one, name)
            before = last.get(key)
            if now == lot and before not in (None, lot):
                yield str(before), one.connector
            last[key] = now
