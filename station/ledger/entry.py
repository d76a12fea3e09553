"""Entries: payloads with everything the ledger adds to them, checked on the way in and out."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any

from pydantic import ValidationError

from station.errors import BadInput, LedgerDamaged
from station.files import first_fault
from station.ledger.chain import spelled, utc_time
from station.ledger.entries import KINDS, Payload

_fields: Callable[[Payload], dict[str, Any]] = attrgetter("__dict__")
"""What a payload or a part of one holds, by field: its JSON without the detour by pydantic's."""


@dataclass(frozen=True)
class Entry:
    """One line of the ledger. ``seq`` counts from 1 without gaps within a bench."""

    bench: str
    seq: int
    id: str
    kind: str
    version: int
    at_utc: datetime
    clock_synced: bool
    boot_id: str
    monotonic_s: float
    person: str
    payload: Payload
    prev_hash: str
    hash: str


def payload_text(payload: Payload) -> str:
    """Return the canonical JSON of a payload, from which the same payload can be read.

    Raises
    ------
    BadInput
        The kind or version is not one that may be written, or the content is not Unicode.
    """
    model = KINDS.get(payload.KIND)
    if model is None or type(payload) is not model:
        raise BadInput(
            f"The ledger has no kind of entry {payload.KIND!r} made by {type(payload).__name__}: "
            f"use one of {', '.join(KINDS)}."
        )
    return spelled(payload, _fields)


def entry_from_columns(columns: Mapping[str, Any]) -> Entry:
    """Return the entry in the columns of the entry table.

    Raises
    ------
    LedgerDamaged
        The kind or version is unknown to this station, or the payload breaks its model.
    """
    kind, version = columns["kind"], columns["version"]
    named = f"Entry {columns['seq']} ({columns['id']})"
    model = KINDS.get(kind)
    if model is None or version != model.VERSION:
        raise LedgerDamaged(
            f"{named} has kind {kind!r} version {version}, which this station cannot read: update "
            "the station, or verify the ledger."
        )
    try:
        payload = model.model_validate_json(columns["payload"])
    except ValidationError as error:
        raise LedgerDamaged(
            f"{named} cannot be read, because {first_fault(error)}: verify the ledger and restore "
            "a backup."
        ) from error
    return Entry(**{**columns, "at_utc": utc_time(columns["at_utc"]), "payload": payload})
