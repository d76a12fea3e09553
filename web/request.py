"""What a request can reach: the bench, and the ledger that the bench has open."""

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from flask import current_app, redirect, url_for
from werkzeug.wrappers import Response

from calibration.saying import say
from station.bench.bench import Bench
from station.crimp.verdict import PART_WORDS
from station.errors import StationError
from station.ledger.jobs import holds
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.shop.nests import looks_due
from station.shop.trend_cache import TrendCache
from station.shop.trust import Trust
from web.live import MAX_FOLLOWING
from web.nests import NestStatus, nest_statuses

CLOCK_ALLOWANCE = timedelta(minutes=2)
"""So far a clock may be set back without a word (our own choice)."""

MAX_WAITING = 2
"""Requests that may wait for news at once, so that open pages never use up the server's threads."""


@dataclass(frozen=True)
class Station:
    """The bench behind an application, and what the page keeps beside it."""

    bench: Bench
    clock: Callable[[], datetime]
    """The time of day, with a time zone."""
    trends: TrendCache
    """The trends of all nests, kept between requests."""
    waiting: threading.BoundedSemaphore = field(
        default_factory=lambda: threading.BoundedSemaphore(MAX_WAITING)
    )
    following: threading.BoundedSemaphore = field(
        default_factory=lambda: threading.BoundedSemaphore(MAX_FOLLOWING)
    )
    started: str = field(default_factory=lambda: secrets.token_hex(8))
    """Differs after each start, so that an open page can tell that it is out of date."""


def lead_to(endpoint: str, **values: Any) -> Response:
    """Lead on to a page, once what was sent is done."""
    return redirect(url_for(endpoint, **values), 303)


def station() -> Station:
    """The station behind the current request."""
    found: Station = current_app.extensions["station"]
    return found


def bench() -> Bench:
    """The bench behind the current request."""
    return station().bench


def reader() -> LedgerReader:
    """The bench's ledger for reading."""
    return bench().ledger.reader


def nests() -> list[NestStatus]:
    """How every nest stands, the most pressing states first."""
    return nest_statuses(station().trends.glances(reader()), holds(reader()))


def ledger() -> Ledger:
    """The bench's ledger, for writing what the bench has no part in."""
    return bench().ledger


def on_record() -> list[str]:
    """Names of the people at the bench; empty while none are on record."""
    return [row.name for row in reader().people()]


def trust_book() -> Trust:
    """What the instruments on record are worth, at the page's own time."""
    return Trust(reader(), station().bench.settings, clock=station().clock)


def calibration_alarms() -> list[str]:
    """What every page must say of instruments that are overdue or failed a check."""
    try:
        found = trust_book().all(with_samples=False)
    except StationError as error:
        return [str(error)]
    return [trust.sentence for trust in found if trust.alarms]


def unsaved() -> str | None:
    """What every page must say of a sample that is in memory only."""
    return station().bench.board.state.unsaved


def tool_looks_due() -> list[tuple[str, str, date | None]]:
    """Nests that are due to be looked at as a tool; none where the settings ask for no looks."""
    every_days = station().bench.settings.tool_look_every_days
    return looks_due(reader(), every_days, start_of_today().date())


def notices() -> list[str]:
    """What every page must say first: invented records, simulated instruments, one thing judged."""
    found = []
    if station().bench.simulated:
        found.append(say("Simulated instruments"))
    if (only := station().bench.limit_sets.choice.only) is not None:
        found.append(say("Judged by the {part} only.", part=say(PART_WORDS[only])))
    try:
        if reader().is_demo():
            found.append(say("Invented demo records"))
        if due := tool_looks_due():
            found.append(say("Tools to be looked at: {count}", count=len(due)))
    except StationError as error:
        found.append(str(error))
    return [*found, *clock_trouble(), *filter(None, [station().trends.trouble])]


def clock_trouble() -> list[str]:
    """That the clock stands before the record's last entry, whose order is kept all the same."""
    try:
        last = reader().last_entry_at()
    except StationError:
        return []  # said already
    if last is None or station().clock() >= last - CLOCK_ALLOWANCE:
        return []
    return [
        say(
            "This computer's clock stands before the last entry ({last:%Y-%m-%d %H:%M} "
            "UTC): set it. Entries keep their order, but not their times",
            last=last,
        )
    ]


def start_of_today() -> datetime:
    """Last midnight, local time."""
    now = station().clock().astimezone()
    return now.replace(hour=0, minute=0, second=0, microsecond=0)
