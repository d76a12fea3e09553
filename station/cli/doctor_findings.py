"""What is the matter with a bench, judged from what was seen of it. Pure: it looks at nothing.

Every finding is one plain sentence that says what is the matter and what to do about it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

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


class State(StrEnum):
    """How bad a finding is; the value is what people read."""

    GOOD = "good"
    LOOK = "look at it"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
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
    state: State
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
class ClockSeen:
    """The clock, and when the record's last entry was made by it; None without a record."""

    now: datetime
    synced: bool
    last_entry: datetime | None


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


@dataclass(frozen=True, slots=True)
class AddressSeen:
    """The address of the page; ``trouble`` says why it cannot be had, and who answers there."""

    host: str
    port: int
    trouble: str | None
    station_answers: bool


@dataclass(frozen=True, slots=True)
class PeopleSeen:
    """Who can sign in, and who else could read the file of secrets."""

    on_network: bool
    leads_here: int
    leads_on_network: int
    secrets_path: str
    secrets_open: bool


def count(findings: Iterable[Finding], state: State) -> int:
    """How many findings are in a state."""
    return sum(finding.state is state for finding in findings)


def of_machine(seen: MachineSeen) -> Iterator[Finding]:
    """Judge the computer."""
    version = ".".join(map(str, seen.python))
    if OLDEST_PYTHON <= seen.python <= NEWEST_PYTHON:
        yield _good("machine", "Python", f"Python {version}.")
    else:
        yield _wrong(
            "machine", "Python",
            f"Python {version} is not one that the station was tried with: install one from 3.11 "
            "to 3.13 and make the virtual environment anew.",
        )  # fmt: skip
    if seen.bits >= 64:
        yield _good("machine", "system", f"{seen.bits}-bit.")
    else:
        yield _wrong(
            "machine", "system",
            f"This is a {seen.bits}-bit system, for which numpy and scipy have no wheels: install "
            "the 64-bit one.",
        )  # fmt: skip
    if seen.memory_bytes is None or seen.memory_free_bytes is None:
        return
    said = f"{_size(seen.memory_free_bytes)} of {_size(seen.memory_bytes)} of memory are free"
    if seen.memory_free_bytes < LITTLE_MEMORY_BYTES:
        yield _look("machine", "memory", f"Only {said}: close other programs.")
    else:
        yield _good("machine", "memory", f"{said}.")


def of_folder(seen: FolderSeen) -> Iterator[Finding]:
    """Judge the place of the ledger."""
    if seen.trouble is not None:
        yield _wrong(
            "disk", "writing",
            f"Nothing can be written in {seen.path} ({seen.trouble}): check the owner of the "
            "folder and that the card or disk is not read-only, or name another place for the "
            "ledger in the settings.",
        )  # fmt: skip
    elif seen.file_system in NETWORK_FILE_SYSTEMS:
        yield _wrong(
            "disk", "writing",
            f"{seen.path} is on a network disk ({seen.file_system}), where SQLite cannot keep the "
            "record safe: keep the ledger on a disk of this machine and copy backups there.",
        )  # fmt: skip
    elif seen.forgets:
        yield _wrong(
            "disk", "writing",
            f"{seen.path} lies on a read-only root with an overlay, and what is written there is "
            "gone at the next start: put the ledger on a partition of its own.",
        )  # fmt: skip
    elif seen.file_system in MEMORY_FILE_SYSTEMS:
        yield _look(
            "disk", "writing",
            f"{seen.path} is kept in memory ({seen.file_system}), and is gone at the next start: "
            "name a place on a disk for the ledger.",
        )  # fmt: skip
    else:
        yield _good("disk", "writing", f"{seen.path} can be written.")
    yield _room(seen)


def _room(seen: FolderSeen) -> Finding:
    said = f"{_size(seen.free_bytes)} are free in {seen.path}"
    if seen.free_bytes < NO_ROOM_BYTES:
        return _wrong(
            "disk", "room",
            f"Only {said}: no sample can be recorded once it is full; free space now.",
        )  # fmt: skip
    if seen.free_bytes < LITTLE_ROOM_BYTES:
        return _look("disk", "room", f"Only {said}: free space before it is full.")
    return _good("disk", "room", f"{said}.")


def of_clock(seen: ClockSeen) -> Iterator[Finding]:
    """Judge the clock."""
    now = f"The clock says {_minute(seen.now)}"
    if seen.now < NOT_BEFORE:
        yield _wrong("clock", "date", f"{now}, which cannot be: set it.")
    elif seen.last_entry is not None and seen.now < seen.last_entry - BACKWARDS:
        yield _wrong(
            "clock", "date",
            f"{now}, but the last entry of the ledger was made at {_minute(seen.last_entry)}: set "
            "the clock before the next sample.",
        )  # fmt: skip
    elif seen.last_entry is not None and seen.now > seen.last_entry + FORWARDS:
        yield _look(
            "clock", "date",
            f"{now}, more than a year after the last entry of the ledger "
            f"({_minute(seen.last_entry)}): check that it is right.",
        )  # fmt: skip
    else:
        yield _good("clock", "date", f"{now}.")
    if seen.synced:
        yield _good("clock", "set from the network", "It was set from the network since the start.")
    else:
        yield _look(
            "clock", "set from the network",
            "The clock was not set from the network since this machine started, as far as systemd "
            "tells: compare it with a watch, and entries will say that it was not.",
        )  # fmt: skip


def of_ports(ports: Sequence[PortSeen], modem_manager: bool) -> Iterator[Finding]:
    """Judge the ports of the instruments."""
    for port in ports:
        yield _port(port)
        if port.steady_name is not None:
            yield _look(
                "ports", f"name of the {port.instrument}'s port",
                f"{port.port} may be another instrument's after replugging or a restart: write "
                f"{port.steady_name} into the settings.",
            )  # fmt: skip
    names = [port.port for port in ports]
    for twice in sorted({name for name in names if names.count(name) > 1}):
        yield _wrong(
            "ports", "one each",
            f"Both instruments are set to {twice}: name the right port for each of them.",
        )  # fmt: skip
    if ports and modem_manager:
        yield _look(
            "ports", "ModemManager",
            "ModemManager is running and may send modem commands to a port that was just plugged "
            "in: copy the udev rule of firmware_notes, or run 'sudo systemctl mask --now "
            "ModemManager'.",
        )  # fmt: skip


def _port(seen: PortSeen) -> Finding:
    name = f"port of the {seen.instrument}"
    stations = [holder for holder in seen.holders if holder.station]
    if seen.console:
        return _wrong(
            "ports", name,
            f"The system writes its own messages to {seen.port}: turn the serial console off in "
            "raspi-config (login shell no, serial hardware yes), then restart.",
        )  # fmt: skip
    if stations:
        return _good("ports", name, f"{seen.port} is held by the running station.")
    if seen.holders:
        return _wrong(
            "ports", name,
            f"{seen.port} is also open in {' and '.join(map(str, seen.holders))}, which takes "
            "bytes away: end that program.",
        )  # fmt: skip
    if seen.trouble is not None:
        return _wrong("ports", name, seen.trouble)
    return _good("ports", name, f"{seen.port}: nothing is against it.")


def of_address(seen: AddressSeen) -> Finding:
    """Judge the address of the page."""
    place = f"{seen.host} port {seen.port}"
    if seen.trouble is None:
        return _good("page", "address", f"{place} is free for the page.")
    if seen.station_answers:
        return _good("page", "address", f"A station serves its page on {place} now.")
    return _wrong("page", "address", seen.trouble)


def of_people(seen: PeopleSeen) -> Iterator[Finding]:
    """Judge who can sign in."""
    if seen.secrets_open:
        yield _wrong(
            "people", "secrets",
            f"Other users of this machine may read {seen.secrets_path}: run 'chmod 600' on it and "
            "give everyone a new passphrase.",
        )  # fmt: skip
    if seen.on_network and not seen.leads_on_network:
        yield _wrong(
            "people", "leads",
            "The page is open to the network, and no lead has a passphrase to sign in there: run "
            "'station people code' at the console, or set host to 127.0.0.1.",
        )  # fmt: skip
    elif not seen.leads_here:
        yield _look(
            "people", "leads",
            "No lead can sign in yet, so that nobody can sign what needs one: run 'station people "
            "code' at the console.",
        )  # fmt: skip
    else:
        yield _good("people", "leads", f"{_number(seen.leads_here, 'lead')} can sign in.")


def of_tail(path: str, entries: int, checked: int, first_bad: str | None) -> Finding:
    """Judge the last entries of the ledger, hashed again."""
    if first_bad is not None:
        return _wrong(
            "ledger", "entries",
            f"{path} is not what was written ({first_bad}): measure nothing more into it, keep the "
            "file as it is, run 'station ledger verify', and go on with a backup.",
        )  # fmt: skip
    return _good(
        "ledger", "entries",
        f"{path} has {_number(entries, 'entry', 'entries')}; the last {checked} are sound.",
    )  # fmt: skip


def of_writers(path: str, holders: Iterable[Holder]) -> Finding:
    """Judge which programs have the ledger open."""
    stations = [holder for holder in holders if holder.station]
    if len(stations) > 1:
        return _wrong(
            "ledger", "writers",
            f"{len(stations)} stations have {path} open, {' and '.join(map(str, stations))}: end "
            "all but one.",
        )  # fmt: skip
    who = "One station has it open." if stations else "No station has it open."
    return _good("ledger", "writers", who)


def of_invented(path: str, *, invented: bool, real: bool, for_work: bool) -> Finding:
    """Judge whether invented samples lie among real ones; ``for_work``: instruments are real."""
    if invented and (real or for_work):
        return _wrong(
            "ledger", "invented samples",
            f"{path} holds invented samples of the demo: name another file for the samples of this "
            "bench in the settings, and keep this one as it is.",
        )  # fmt: skip
    if invented:
        return _look("ledger", "invented samples", "All its samples are invented: it is a demo's.")
    return _good("ledger", "invented samples", "There are none.")


def of_unfinished(number: int) -> Finding:
    """Judge samples that were begun and have no verdict."""
    if not number:
        return _good("ledger", "unfinished samples", "There are none.")
    return _look(
        "ledger", "unfinished samples",
        f"{_number(number, 'sample')} begun and not finished: take it up again or void it on the "
        "page Bench, before anybody forgets what it was.",
    )  # fmt: skip


def _good(area: str, name: str, sentence: str) -> Finding:
    return Finding(area, name, State.GOOD, sentence)


def _look(area: str, name: str, sentence: str) -> Finding:
    return Finding(area, name, State.LOOK, sentence)


def _wrong(area: str, name: str, sentence: str) -> Finding:
    return Finding(area, name, State.WRONG, sentence)


def _number(number: int, word: str, words: str | None = None) -> str:
    return f"{number} {word if number == 1 else words or word + 's'}"


def _minute(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e9:.1f} GB" if size_bytes >= 1e9 else f"{size_bytes / 1e6:.0f} MB"
