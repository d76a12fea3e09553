"""People who can sign in, for tests."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from unittest.mock import patch

from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.sign_in import Doors

PASSPHRASE = "seven brown otters"
PIN = "480913"

CHEAP = "scrypt:1024:8:1"
"""Hashes of little worth, so that hundreds of tests can sign in; what they protect is invented."""


@dataclass(frozen=True)
class Person(PersonRow):
    """An invented person, who need not be on record."""

    at_utc: datetime = datetime(2026, 1, 2, tzinfo=UTC)
    demo: bool = True


@contextmanager
def cheap_hashes() -> Iterator[None]:
    """Within the block every hash costs little, that of nobody too."""
    with patch("station.shop.secrets.HASH_METHOD", CHEAP):
        yield


def give_secret(ledger: Ledger, name: str, secret: str = PASSPHRASE) -> None:
    """Let somebody on record sign in."""
    with cheap_hashes():
        Doors(ledger, "command").set_secret(Person(name, "lead"), name, secret)
