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
from station.shop.nests import NestKey
from station.shop.trend import NestTrend, nest_trend

KEPT = 400
"""Samples of each nest that are kept for showing."""

AT_ONCE = 5_000
"""Nests with so many samples together are brought up to date while a page waits."""


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


class TrendCache:
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
        self._glances: dict[NestKey, NestGlance] = {}
        self._stale: set[NestKey] = set()
        self._seen_seq = 0
        self._worker: threading.Thread | None = None
        self.trouble: str | None = None
        """Why nests stay behind, in one sentence; None while nothing is wrong."""

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

    def _notice(self, reader: LedgerReader) -> None:
        """Mark the nests that new entries touch."""
        with self._lock:
            known = [(tool.tool, nest) for tool in reader.tools() for nest in tool.nests]
            if self._seen_seq == 0:
                self._stale = set(known)
                self._seen_seq = reader.counts().entries
                return
            for entry in reader.entries(after_seq=self._seen_seq):
                self._stale |= _touched(entry, reader, known)
                self._seen_seq = entry.seq

    def _catch_up(self, reader: LedgerReader) -> None:
        with self._lock:
            stale = sorted(self._stale)
            busy = self._worker is not None and self._worker.is_alive()
            read = sum(self._glances[key].trend.count for key in stale if key in self._glances)
        if busy or not stale:
            return
        new = sum(key not in self._glances for key in stale)
        if read + (reader.counts().samples if new else 0) <= AT_ONCE:
            self._work_out(reader, stale)
            return
        with self._lock:
            self._worker = threading.Thread(
                target=self._work_apart, args=(stale,), name="trends", daemon=True
            )
            self._worker.start()

    def _work_apart(self, stale: list[NestKey]) -> None:
        try:
            with LedgerReader.open(self._path) as reader:
                self._work_out(reader, stale)
        except StationError as error:
            self.trouble = say("Trends could not be brought up to date: {error}", error=str(error))
        else:
            self.trouble = None

    def _work_out(self, reader: LedgerReader, stale: list[NestKey]) -> None:
        for key in stale:
            with self._lock:
                # Before it is read: an entry that comes meanwhile marks it again.
                self._stale.discard(key)
            glance = self._glance(reader, key)
            with self._lock:
                self._glances[key] = glance

    def _glance(self, reader: LedgerReader, key: NestKey) -> NestGlance:
        trend = trend_of(reader, *key, self._run_length).tail(KEPT)
        latest = reader.nest_samples(*key, limit=KEPT)
        services = reader.services(*key)
        service = services[-1] if services else None
        first = trend.samples[0].begun_seq if trend.cut else 0 if service is None else service.seq
        voids = tuple(row for row in latest if row.verdict == "void" and row.begun_seq >= first)
        return NestGlance(trend, latest[-1] if latest else None, voids, service)


def _touched(entry: Entry, reader: LedgerReader, known: list[NestKey]) -> set[NestKey]:
    """The nests whose trend an entry may change."""
    match entry.payload:
        case SampleBegun(joint=joint) | SampleFinished(joint=joint) | BaselineSet(joint=joint):
            return {(joint.tool, joint.nest)} & set(known)
        case ToolServiced(tool=tool, nest=nest):
            return {key for key in known if key[0] == tool and nest in (None, key[1])}
        case ToolAdded(tool=tool):
            return {key for key in known if key[0] == tool}
        case Correction(corrects_id=corrected):
            sample = reader.sample(corrected)
            return set(known) if sample is None else {(sample.tool, sample.nest)} & set(known)
        case _:
            return set()


def trend_of(reader: LedgerReader, tool: str, nest: str, run_length: float) -> NestTrend:
    """Trend of one nest since its last service."""
    services = reader.services(tool, nest)
    since = max((service.seq for service in services), default=0)
    rows = reader.nest_samples(tool, nest, since_seq=since)
    return nest_trend(tool, nest, rows, reader.baselines(), run_length=run_length)


def worn_nests(reader: LedgerReader, run_length: float) -> list[NestTrend]:
    """The nests that a watch has flagged, for wear or for strays."""
    trends = (
        trend_of(reader, tool.tool, nest, run_length)
        for tool in reader.tools()
        for nest in tool.nests
    )
    return [trend for trend in trends if trend.flagged]
