"""The trends of all nests, kept and brought up to date by what the ledger gained since.

A trend takes all samples of its nest since the last service, so that it is worked out once and then
only when an entry touched its nest. What is kept is what pages show: the state, the sentence, and
the latest samples.
"""

import threading
from dataclasses import dataclass
from pathlib import Path

from calibration.saying import say
from station.errors import StationError
from station.ledger.entries import (
    BaselineSet,
    Correction,
    SampleBegun,
    SampleFinished,
    ToolAdded,
    ToolServiced,
)
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow, ServiceRow
from station.shop.trend import NestTrend, nest_trend

KEPT = 400
"""Samples of each nest that are kept for showing."""

AT_ONCE = 5_000
"""Nests with so many samples together are brought up to date while a page waits."""

Place = tuple[str, str]
"""Tool and nest."""


@dataclass(frozen=True, slots=True)
class NestGlance:
    """How a nest stood when it was last looked at.

    Attributes
    ----------
    trend
        Its trend, with the latest samples only.
    last
        The latest sample, of any verdict; None where there is none.
    voids
        Void samples among those of the trend: no part of it, but shown.
    service
        The last service of the nest; None where there was none.
    """

    trend: NestTrend
    last: SampleRow | None
    voids: tuple[SampleRow, ...] = ()
    service: ServiceRow | None = None


class TrendBook:
    """Trends of all nests; may be asked by several threads.

    Parameters
    ----------
    run_length
        In-control run length of the wear watch, in samples.
    """

    def __init__(self, path: Path, run_length: float) -> None:
        self._path = path
        self._run_length = run_length
        self._lock = threading.Lock()
        self._glances: dict[Place, NestGlance] = {}
        self._stale: set[Place] = set()
        self._seen_seq = 0
        self._worker: threading.Thread | None = None
        self._trouble: str | None = None

    def glances(self, reader: LedgerReader) -> list[NestGlance]:
        """Every nest on record as it stands, or stood a moment ago where `behind` says so.

        A nest whose samples are too many to be read while a page waits is brought up to date by a
        thread; until that has once been done it is left out.
        """
        self._notice(reader)
        self._catch_up(reader)
        with self._lock:
            return list(self._glances.values())

    @property
    def behind(self) -> int:
        """How many nests are still being brought up to date."""
        with self._lock:
            return len(self._stale)

    @property
    def trouble(self) -> str | None:
        """Why nests stay behind, in one sentence; None while nothing is wrong."""
        return self._trouble

    def wait(self, timeout_s: float) -> bool:
        """Wait until the thread, if there is one, has done its work; return whether it has."""
        worker = self._worker
        if worker is not None:
            worker.join(timeout_s)
        return worker is None or not worker.is_alive()

    def _notice(self, reader: LedgerReader) -> None:
        """Mark the nests that new entries touch."""
        with self._lock:
            places = [(tool.tool, nest) for tool in reader.tools() for nest in tool.nests]
            if self._seen_seq == 0:
                self._stale = set(places)
                self._seen_seq = reader.counts().entries
                return
            for entry in reader.entries(after_seq=self._seen_seq):
                self._stale |= _touched(entry, reader, places)
                self._seen_seq = entry.seq

    def _catch_up(self, reader: LedgerReader) -> None:
        with self._lock:
            stale = sorted(self._stale)
            busy = self._worker is not None and self._worker.is_alive()
            known = sum(self._glances[p].trend.count for p in stale if p in self._glances)
        if busy or not stale:
            return
        new = sum(place not in self._glances for place in stale)
        if known + (reader.counts().samples if new else 0) <= AT_ONCE:
            self._work_out(reader, stale)
            return
        with self._lock:
            self._worker = threading.Thread(
                target=self._work_apart, args=(stale,), name="trends", daemon=True
            )
            self._worker.start()

    def _work_apart(self, stale: list[Place]) -> None:
        try:
            with LedgerReader.open(self._path) as reader:
                self._work_out(reader, stale)
        except StationError as error:
            self._trouble = say("Trends could not be brought up to date: {error}", error=str(error))
        else:
            self._trouble = None

    def _work_out(self, reader: LedgerReader, stale: list[Place]) -> None:
        for place in stale:
            with self._lock:
                # Before it is read: an entry that comes meanwhile marks it again.
                self._stale.discard(place)
            glance = self._glance(reader, place)
            with self._lock:
                self._glances[place] = glance

    def _glance(self, reader: LedgerReader, place: Place) -> NestGlance:
        trend = trend_of(reader, *place, self._run_length).tail(KEPT)
        latest = reader.nest_samples(*place, limit=KEPT)
        services = reader.services(*place)
        service = services[-1] if services else None
        first = trend.samples[0].begun_seq if trend.cut else 0 if service is None else service.seq
        voids = tuple(row for row in latest if row.verdict == "void" and row.begun_seq >= first)
        return NestGlance(trend, latest[-1] if latest else None, voids, service)


def _touched(entry: Entry, reader: LedgerReader, places: list[Place]) -> set[Place]:
    """The nests whose trend an entry may change."""
    match entry.payload:
        case SampleBegun(joint=joint) | SampleFinished(joint=joint) | BaselineSet(joint=joint):
            return {(joint.tool, joint.nest)} & set(places)
        case ToolServiced(tool=tool, nest=nest):
            return {place for place in places if place[0] == tool and nest in (None, place[1])}
        case ToolAdded(tool=tool):
            return {place for place in places if place[0] == tool}
        case Correction(corrects_id=corrected):
            sample = reader.sample(corrected)
            return set(places) if sample is None else {(sample.tool, sample.nest)} & set(places)
        case _:
            return set()


def trend_of(reader: LedgerReader, tool: str, nest: str, run_length: float) -> NestTrend:
    """Trend of one nest since its last service."""
    services = reader.services(tool, nest)
    since = max((service.seq for service in services), default=0)
    return nest_trend(
        tool,
        nest,
        reader.nest_samples(tool, nest, since_seq=since),
        reader.baselines(),
        run_length=run_length,
        since_seq=since,
    )


def all_trends(reader: LedgerReader, run_length: float) -> list[NestTrend]:
    """Trend of every nest of every tool."""
    return [
        trend_of(reader, tool.tool, nest, run_length)
        for tool in reader.tools()
        for nest in tool.nests
    ]


def worn_nests(reader: LedgerReader, run_length: float) -> list[NestTrend]:
    """The nests that the wear watch has flagged."""
    return [trend for trend in all_trends(reader, run_length) if trend.flagged]
