"""What is the matter with a bench, judged from what was seen of it. Pure: it looks at nothing.

Every finding is one plain sentence that says what is the matter and what to do about it; the
sentences stand in ``station/data/doctor.toml``.
"""

import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import cache
from typing import Any

from station.files import DATA, read_text

OLDEST_PYTHON = (3, 11)
NEWEST_PYTHON = (3, 13)

LITTLE_MEMORY_BYTES = 150_000_000
"""Below this much free memory a figure may not get drawn (our own choice)."""

NO_ROOM_BYTES = 50_000_000
LITTLE_ROOM_BYTES = 500_000_000
"""Free space on the ledger's disk: about a day, and about half a year, of a busy bench's samples
with their traces (our own choice)."""

NOT_BEFORE = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock that says less was never set: the station is younger than that."""

BACKWARDS = timedelta(minutes=2)
FORWARDS = timedelta(days=366)
"""How far a clock may lie behind the record's last entry, and ahead of it, before it is doubted."""

NETWORK_FILE_SYSTEMS = frozenset({"9p", "afs", "ceph", "cifs", "nfs", "nfs4", "smb3", "smbfs"})
"""SQLite's write-ahead log needs memory shared by all who have the file open, so that it does not
work over a network (sqlite.org/wal.html)."""

MEMORY_FILE_SYSTEMS = frozenset({"ramfs", "tmpfs"})


class Severity(StrEnum):
    """How bad a finding is; the value is what people read."""

    GOOD = "good"
    LOOK = "look at it"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class DoctorFinding:
    """One thing that was looked at.

    Attributes
    ----------
    area
        What it belongs to: ``machine``, ``ports``, ``ledger``...
    name
        What was looked at.
    sentence
        What is the matter and what to do; for a good one, what was found.
    """

    area: str
    name: str
    state: Severity
    sentence: str


@dataclass(frozen=True, slots=True)
class MachineSeen:
    """The computer; None where the operating system does not tell."""

    python: tuple[int, int]
    bits: int
    memory_bytes: int | None
    memory_free_bytes: int | None


@dataclass(frozen=True, slots=True)
class FolderSeen:
    """The folder that holds the ledger, or the nearest one above it that exists.

    Attributes
    ----------
    trouble
        Why nothing can be written into it, in a few words; None where that was tried and went well.
    file_system
        Kind of the file system; None where it is not known.
    forgets
        True where the system's root is an overlay in memory, and the folder lies on it.
    """

    path: str
    trouble: str | None
    free_bytes: int
    file_system: str | None
    forgets: bool


@dataclass(frozen=True, slots=True)
class Holder:
    """A program that has a file or device open; ``station`` where it is one that serves a page."""

    process_id: int
    name: str
    station: bool

    def __str__(self) -> str:
        return f"{self.name} (process {self.process_id})"


@dataclass(frozen=True, slots=True)
class PortSeen:
    """The port of one instrument.

    Attributes
    ----------
    instrument
        What people call what hangs on it.
    steady_name
        A name for the same port that survives replugging; None where there is none, or where the
        settings use it already.
    console
        True where the system writes its own messages to this line.
    trouble
        Why it cannot be opened, in one sentence that says what to do; None where it can.
    """

    instrument: str
    port: str
    steady_name: str | None = None
    console: bool = False
    holders: tuple[Holder, ...] = ()
    trouble: str | None = None


@cache
def sentences() -> dict[str, Any]:
    """What can be said: forms of sentences by area, name and case."""
    return tomllib.loads(read_text(DATA / "doctor.toml"))


def told(area: str, name: str, case: str, **values: object) -> DoctorFinding:
    """Make a finding of a sentence that ships; the case begins with the finding's state."""
    form: str = sentences()[area][name][case]
    state = Severity[case.partition("-")[0].upper()]
    return DoctorFinding(area, name.format(**values), state, form.format(**values))


def of_machine(seen: MachineSeen) -> Iterator[DoctorFinding]:
    """Judge the computer."""
    tried = OLDEST_PYTHON <= seen.python <= NEWEST_PYTHON
    version = ".".join(map(str, seen.python))
    yield told("machine", "Python", "good" if tried else "wrong", version=version)
    yield told("machine", "system", "good" if seen.bits >= 64 else "wrong", seen=seen)
    if seen.memory_bytes is None or seen.memory_free_bytes is None:
        return
    case = "look" if seen.memory_free_bytes < LITTLE_MEMORY_BYTES else "good"
    free, installed = _size(seen.memory_free_bytes), _size(seen.memory_bytes)
    yield told("machine", "memory", case, free=free, installed=installed)


def of_folder(seen: FolderSeen) -> Iterator[DoctorFinding]:
    """Judge the place of the ledger."""
    if seen.trouble is not None:
        case = "wrong"
    elif seen.file_system in NETWORK_FILE_SYSTEMS:
        case = "wrong-network"
    elif seen.forgets:
        case = "wrong-overlay"
    else:
        case = "look" if seen.file_system in MEMORY_FILE_SYSTEMS else "good"
    yield told("disk", "writing", case, seen=seen)
    case = "look" if seen.free_bytes < LITTLE_ROOM_BYTES else "good"
    case = "wrong" if seen.free_bytes < NO_ROOM_BYTES else case
    yield told("disk", "room", case, seen=seen, free=_size(seen.free_bytes))


def of_clock(
    now: datetime, *, synced: bool, last_entry: datetime | None = None
) -> Iterator[DoctorFinding]:
    """Judge the clock by the record's last entry; None without a record."""
    last = last_entry or now
    if now < NOT_BEFORE:
        case = "wrong"
    elif now < last - BACKWARDS:
        case = "wrong-behind"
    else:
        case = "look" if now > last + FORWARDS else "good"
    yield told("clock", "date", case, now=_minute(now), last=_minute(last))
    yield told("clock", "set from the network", "good" if synced else "look")


def of_ports(ports: Sequence[PortSeen], modem_manager: bool) -> Iterator[DoctorFinding]:
    """Judge the ports of the instruments."""
    for port in ports:
        yield _port(port)
        if port.steady_name is not None:
            yield told("ports", "name of the {seen.instrument}'s port", "look", seen=port)
    names = [port.port for port in ports]
    for twice in sorted({name for name in names if names.count(name) > 1}):
        yield told("ports", "one each", "wrong", port=twice)
    if ports and modem_manager:
        yield told("ports", "ModemManager", "look")


def _port(seen: PortSeen) -> DoctorFinding:
    if seen.console:
        case = "wrong-console"
    elif any(holder.station for holder in seen.holders):
        case = "good-station"
    elif seen.holders:
        case = "wrong-shared"
    else:
        case = "good" if seen.trouble is None else "wrong"
    holders = " and ".join(map(str, seen.holders))
    return told("ports", "port of the {seen.instrument}", case, seen=seen, holders=holders)


def of_address(
    host: str, port: int, trouble: str | None, *, station_answers: bool
) -> DoctorFinding:
    """Judge the address of the page; ``trouble`` says why it cannot be had."""
    case = "good-served" if station_answers else "wrong"
    case = "good" if trouble is None else case
    return told("page", "address", case, host=host, port=port, trouble=trouble)


def of_people(
    leads_here: int, leads_on_network: int, *, on_network: bool
) -> Iterator[DoctorFinding]:
    """Judge who can sign in."""
    if on_network and not leads_on_network:
        yield told("people", "leads", "wrong")
    elif not leads_here:
        yield told("people", "leads", "look")
    else:
        yield told("people", "leads", "good", leads=_number(leads_here, "lead", "leads"))


def of_tail(
    path: str, entries: int, checked: int, first_bad: str | None, head: str
) -> DoctorFinding:
    """Judge the last entries of the ledger, hashed again, and what pages show of them."""
    number = _number(entries, "entry", "entries")
    case = "good" if first_bad is None else "wrong"
    return told(
        "ledger", "entries", case, path=path, entries=number, checked=checked, first_bad=first_bad,
        head=head,
    )  # fmt: skip


def of_writers(path: str, holders: Iterable[Holder]) -> DoctorFinding:
    """Judge which programs have the ledger open."""
    stations = [str(holder) for holder in holders if holder.station]
    case = {0: "good", 1: "good-one"}.get(len(stations), "wrong")
    named = " and ".join(stations)
    return told("ledger", "writers", case, path=path, number=len(stations), stations=named)


def of_invented(path: str, *, invented: bool, real: bool, for_work: bool) -> DoctorFinding:
    """Judge whether invented samples lie among real ones; ``for_work``: instruments are real."""
    case = "wrong" if real or for_work else "look"
    case = case if invented else "good"
    return told("ledger", "invented samples", case, path=path)


def of_unfinished(number: int) -> DoctorFinding:
    """Judge samples that were begun and have no verdict."""
    samples = _number(number, "sample", "samples")
    return told("ledger", "unfinished samples", "look" if number else "good", samples=samples)


def _number(number: int, word: str, words: str) -> str:
    return f"{number} {word if number == 1 else words}"


def _minute(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e9:.1f} GB" if size_bytes >= 1e9 else f"{size_bytes / 1e6:.0f} MB"
