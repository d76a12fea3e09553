"""What an export says of itself: its columns, schemas, and the note that lies beside it."""

from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel

from station.ledger.entries import Payload
from station.ledger.flat import CellKind, Column

_ENTRY: tuple[tuple[str, CellKind], ...] = (
    ("bench", "text"),
    ("seq", "number"),
    ("id", "text"),
    ("kind", "text"),
    ("version", "number"),
    ("at_utc", "text"),
    ("clock_synced", "true_or_false"),
    ("boot_id", "text"),
    ("monotonic_s", "number"),
    ("person", "text"),
    ("prev_hash", "text"),
    ("hash", "text"),
)
ENTRY_COLUMNS = tuple(Column((name,), kind) for name, kind in _ENTRY)
"""What every entry has besides its payload."""

_JSON_TYPES: dict[CellKind, str] = {"text": "string", "true_or_false": "boolean"}

_SAMPLE_NUMBERS = (
    "begun_seq", "finished_seq", "splice_ohm", "splice_u_ohm", "peak_n", "peak_u_n", "pull_limit_n",
)  # fmt: skip
_SAMPLE_TRUTHS = ("demo", "simulated", "imported")
_SAMPLE = (
    "begun_seq", "finished_seq", "sample_id", "at_utc", "person", "job", "connector", "wires",
    "material", "tool", "nest", "limit_set", "limit_standing", "verdict", "void_reason",
    "splice_ohm", "splice_u_ohm", "peak_n", "peak_u_n", "pull_limit_n", "failure_mode",
    "trace_sha256", "meter", "tester", "replaces", "demo", "simulated",
)  # fmt: skip


def _sample_kind(name: str) -> CellKind:
    if name in _SAMPLE_NUMBERS:
        return "number"
    return "true_or_false" if name in _SAMPLE_TRUTHS else "text"


SAMPLE_COLUMNS = tuple(Column((name,), _sample_kind(name)) for name in _SAMPLE)
"""A sample as it stands now, corrections included."""


def entry_schema(model: type[Payload], columns: Sequence[Column]) -> dict[str, Any]:
    """Return the JSON Schema of one line of a kind's file, and how its CSV is laid out."""
    envelope = {column.name: {"type": _json_type(column)} for column in ENTRY_COLUMNS}
    payload = _schema_of(model)
    definitions = payload.pop("$defs", {})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"One {model.KIND} entry, version {model.VERSION}",
        "type": "object",
        "properties": envelope
        | {"kind": {"const": model.KIND}, "version": {"const": model.VERSION}, "payload": payload},
        "required": [*envelope, "payload"],
        "additionalProperties": False,
        "$defs": definitions,
        "csv_columns": [{"name": column.name, "kind": column.kind} for column in columns],
    }


def _json_type(column: Column) -> str:
    if column.name in ("seq", "version"):
        return "integer"
    return _JSON_TYPES.get(column.kind, "number")


def _schema_of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(ref_template="#/$defs/{model}")


README = """\
A whole ledger of a crimp test station, as files
================================================

export.json             the bench, how many of what, and the hash of the last entry
entries/KIND.jsonl      every entry of a kind, one JSON object a line, in order
entries/KIND.csv        the same as a table
entries/KIND.schema.json  what such an entry holds (JSON Schema), and the kind of every CSV column
samples.csv             every sample as it stands now, corrections included
traces/                 the pull of every sample: time_s, force_n; named by the SHA-256 of the
                        numbers (little-endian float64, all times first, then all forces)

All quantities are SI: ohm, newton, metre, second; u is one standard uncertainty. Text is UTF-8.
Numbers are the shortest decimals that read back as the same double. Times are UTC. An empty cell
is no value.

Text in CSV cells is guarded against spreadsheets that run formulas: a text that begins with
=  +  -  @  a tab, a line break, a wide form of these signs or an apostrophe has one apostrophe put
before it, and an empty text is one apostrophe alone. Take one leading apostrophe off to get the
text back. Cells of the kind "json" are JSON.

Each entry's hash is the SHA-256 of the JSON array of its bench, seq, id, kind, version, at_utc,
clock_synced, boot_id, monotonic_s, person, payload and prev_hash, the payload as the text that
stands in the JSON Lines file. prev_hash is the hash of the entry before.

"station ledger import FOLDER --ledger NEW.ledger" makes a ledger of this export again and proves
every hash.
"""
