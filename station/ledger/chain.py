"""The chain that makes the record tamper-evident. Pure: no clock, no randomness, no database.

Every entry carries the SHA-256 of all its columns, among them the hash of the entry before it, so
that no entry can be changed, dropped or moved without the later hashes telling.
"""

import hashlib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import itemgetter
from typing import Any, Self
from uuid import UUID

import orjson

from station.errors import BadInput

_SPELLING = orjson.OPT_SORT_KEYS | orjson.OPT_UTC_Z

FIRST_PREV_HASH = "0" * 64
"""What the first entry of a bench has for the hash of the entry before it."""

HASHED_COLUMNS = (
    "bench",
    "seq",
    "id",
    "kind",
    "version",
    "at_utc",
    "clock_synced",
    "boot_id",
    "monotonic_s",
    "person",
    "payload",
    "prev_hash",
)
"""The columns under the hash, in the order in which they are serialised."""

_hashed = itemgetter(*HASHED_COLUMNS)

_HEAD = re.compile(r"([0-9]{1,18}):([0-9a-f]{16,64})")


@dataclass(frozen=True)
class Head:
    """The last entry of a record at some time: its number and its hash, or how that begins."""

    seq: int
    hash: str

    def __str__(self) -> str:
        return f"{self.seq}:{self.hash}"

    @property
    def short(self) -> str:
        """To be copied by hand; who wants another record that ends so has to try 2^64."""
        return f"{self.seq}:{' '.join(re.findall('....', self.hash[:16]))}"

    @classmethod
    def read(cls, text: str) -> Self:
        """Return the head that a paper or a command shows, spaced as it may be (BadInput)."""
        found = _HEAD.fullmatch("".join(text.split()).lower())
        if found is None:
            raise BadInput(
                "{text!r} is no head of a record: give it as it is printed, number, colon and at "
                "least 16 digits, as 574:0a1b 2c3d 4e5f 6071.",
                text=text[:100],
            )
        return cls(int(found[1]), found[2])


@dataclass(frozen=True)
class Moment:
    """When something happened, with what is needed to repair a wrong clock later.

    Parameters
    ----------
    at_utc : datetime
        Wall-clock time with a time zone; kept as UTC to the microsecond.
    clock_synced : bool
        Whether the wall clock was known to be set from the network.
    boot_id : str
        Changes at every start of the machine.
    monotonic_s : float
        Seconds since that start, not stopped by sleep and not moved by clock changes.

    Raises
    ------
    BadInput
        The time has no zone or lies before 1970, or ``monotonic_s`` is not finite.
    """

    at_utc: datetime
    clock_synced: bool
    boot_id: str
    monotonic_s: float

    def __post_init__(self) -> None:
        if self.at_utc.tzinfo is None:
            raise BadInput(f"The time {self.at_utc} has no time zone: give it one, e.g. UTC.")
        if self.at_utc.timestamp() < 0:
            raise BadInput(f"The time {self.at_utc} lies before 1970: set the clock.")
        if not math.isfinite(self.monotonic_s):
            raise BadInput(f"The monotonic time {self.monotonic_s} is not a number of seconds.")

    @property
    def unix_ms(self) -> int:
        """Whole milliseconds since 1970-01-01 UTC."""
        return int(self.at_utc.timestamp() * 1000)


def canonical_json(value: object) -> str:
    """Return the one spelling of a JSON value: sorted keys, no spaces, shortest floats.

    Text stays as it is rather than escaped to ASCII; keys sort by code point; floats are the
    shortest text that reads back as the same double. Whole floats keep their ``.0``, which is one
    of the differences from RFC 8785.

    Raises
    ------
    BadInput
        The value holds NaN, an infinity, half a surrogate pair, an integer of more than 64 bits or
        something else that JSON cannot say.
    """
    text = spelled(value)
    # A number that is not finite is spelled as null.
    if "null" in text:
        _refuse_not_finite(value)
    return text


def spelled(value: object, default: Callable[[Any], Any] | None = None) -> str:
    """Return the `canonical_json` of a value that is known to hold no NaN and no infinity.

    Parameters
    ----------
    value : object
        What JSON has, and dates and times, which are spelled by ISO 8601.
    default : callable, optional
        Gives what stands for a part of the value that is something else.
    """
    return _spelled_bytes(value, default).decode()


def _spelled_bytes(value: object, default: Callable[[Any], Any] | None = None) -> bytes:
    try:
        return orjson.dumps(value, default, _SPELLING)
    except TypeError as error:
        raise _cannot_hold(error) from error


def _refuse_not_finite(value: object) -> None:
    left = [value]
    while left:
        part = left.pop()
        if isinstance(part, float):
            if not math.isfinite(part):
                raise _cannot_hold(f"{part} is not a finite number")
        elif isinstance(part, (list, tuple)):
            left.extend(part)
        elif isinstance(part, dict):
            left.extend(part.values())


def _cannot_hold(reason: object) -> BadInput:
    return BadInput(f"The ledger cannot hold this content: {reason}. Correct it and save again.")


def entry_hash(columns: Mapping[str, object]) -> str:
    """Return the hash of an entry as 64 lower-case hexadecimal digits.

    The hash is SHA-256 over the UTF-8 bytes of one canonical JSON array that holds the
    `HASHED_COLUMNS` in their order. The payload stands in it as a JSON string, so what is hashed
    is the stored text and no two different rows have the same serialisation.

    Parameters
    ----------
    columns : mapping
        At least the `HASHED_COLUMNS`, as stored.

    Raises
    ------
    BadInput
        A column holds what JSON cannot say.
    """
    since_start_s = columns["monotonic_s"]
    # The one float among the columns: what is not finite would be spelled as null.
    if isinstance(since_start_s, float) and not math.isfinite(since_start_s):
        raise _cannot_hold(f"{since_start_s} is not a finite number")
    return hashlib.sha256(_spelled_bytes(_hashed(columns))).hexdigest()


def uuid7(unix_ms: int, random_bytes: bytes) -> str:
    """Return the text of a version 7 UUID (RFC 9562, section 5.7): identifiers that sort by time.

    Parameters
    ----------
    unix_ms : int
        Milliseconds since 1970, below 2**48.
    random_bytes : bytes
        Ten bytes, of which the lowest 74 bits are used.

    Raises
    ------
    BadInput
        The time or the number of random bytes is out of range.
    """
    if not 0 <= unix_ms < 1 << 48:
        raise BadInput(f"The time {unix_ms} ms does not fit in an identifier: set the clock.")
    if len(random_bytes) != 10:
        raise BadInput(f"An identifier needs 10 random bytes, not {len(random_bytes)}.")
    randomness = int.from_bytes(random_bytes)
    random_a = randomness >> 62 & 0xFFF
    random_b = randomness & (1 << 62) - 1
    return str(UUID(int=unix_ms << 80 | 7 << 76 | random_a << 64 | 0b10 << 62 | random_b))


def utc_text(at: datetime) -> str:
    """Return a time as fixed-width ISO 8601 text in UTC, which sorts as the time does."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def utc_time(text: str) -> datetime:
    """Return the time that `utc_text` wrote."""
    return datetime.fromisoformat(text)
