"""What a request can reach: the bench, and one read-only ledger that closes with the request."""

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flask import Flask, current_app, g

from station.errors import StationError
from station.ledger.chain import Moment
from station.ledger.clock import now
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.trend_cache import NestGlance, TrendBook
from station.shop.trust import TrustBook
from web.face import BenchFace
from web.live_feed import MAX_FOLLOWING

CLOCK_ALLOWANCE = timedelta(minutes=2)
"""So far a clock may be set back without a word (our own choice)."""

MAX_WAITING = 2
"""Requests that may wait for news at once, so that open pages never use up the server's threads."""


@dataclass(frozen=True)
class Station:
    """The bench and ledger behind an application."""

    bench: BenchFace
    ledger_path: Path
    clock: Callable[[], datetime]
    """The time of day, with a time zone."""
    trends: TrendBook
    """The trends of all nests, kept between requests."""
    waiting: threading.BoundedSemaphore = field(
        default_factory=lambda: threading.BoundedSemaphore(MAX_WAITING)
    )
    following: threading.BoundedSemaphore = field(
        default_factory=lambda: threading.BoundedSemaphore(MAX_FOLLOWING)
    )
    started: str = field(default_factory=lambda: secrets.token_hex(8))
    """Differs after each start, so that an open page can tell that it is out of date."""


def attach(app: Flask, station: Station) -> None:
    """Make a station reachable from an application's requests."""
    app.extensions["station"] = station
    app.teardown_appcontext(_close_ledgers)


def station() -> Station:
    """The station behind the current request."""
    found = current_app.extensions["station"]
    if not isinstance(found, Station):
        raise TypeError("the application was not made by create_app")
    return found


def bench() -> BenchFace:
    """The bench behind the current request."""
    return station().bench


def reader() -> LedgerReader:
    """The ledger for reading, opened at its first use in a request."""
    if "reader" not in g:
        g.reader = LedgerReader.open(station().ledger_path)
    opened: LedgerReader = g.reader
    return opened


def glances() -> list[NestGlance]:
    """How every nest stands."""
    return station().trends.glances(reader())


def ledger() -> Ledger:
    """The ledger for writing what the bench has no part in; opened at its first use in a request.

    Its entries have the time of the page's own clock.
    """
    if "ledger" not in g:
        g.ledger = Ledger.open(station().ledger_path, clock=_moment, create=False)
    opened: Ledger = g.ledger
    return opened


def _moment() -> Moment:
    return replace(now(), at_utc=station().clock().astimezone(UTC))


def trust_book() -> TrustBook:
    """What the instruments on record are worth, at the page's own time."""
    return TrustBook(reader(), station().bench.settings, clock=station().clock)


def calibration_alarms() -> list[str]:
    """What every page must say of instruments that are overdue or failed a check."""
    try:
        found = trust_book().known()
    except StationError as error:
        return [str(error)]
    return [trust.sentence for trust in found if trust.alarms]


def unsaved() -> str | None:
    """What every page must say of a sample that is in memory only."""
    return station().bench.board.state.unsaved


def notices() -> list[str]:
    """What every page must say first: that records are invented or instruments simulated."""
    found = []
    if station().bench.simulated:
        found.append("Simulated instruments")
    try:
        if reader().is_demo():
            found.append("Invented demo records")
    except StationError as error:
        found.append(str(error))
    found += _clock_trouble()
    if station().trends.trouble is not None:
        found.append(station().trends.trouble or "")
    return found


def _clock_trouble() -> list[str]:
    """That the clock stands before the record's last entry, whose order is kept all the same."""
    try:
        last = reader().last_entry_at()
    except StationError:
        return []  # said already
    if last is None or station().clock() >= last - CLOCK_ALLOWANCE:
        return []
    return [
        f"This computer's clock stands before the last entry ({last:%Y-%m-%d %H:%M} UTC): set it. "
        "Entries keep their order, but not their times"
    ]


def start_of_today() -> datetime:
    """Last midnight, local time."""
    now = station().clock().astimezone()
    return now.replace(hour=0, minute=0, second=0, microsecond=0)


def _close_ledgers(_error: BaseException | None) -> None:
    for name in ("reader", "ledger"):
        opened: LedgerReader | Ledger | None = g.pop(name, None)
        if opened is not None:
            opened.close()
