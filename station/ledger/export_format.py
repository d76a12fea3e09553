"""An export: entries as flat rows of text, which read back as they were, and its notes. Pure."""

import json
import types
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from station.errors import BadInput
from station.ledger.chain import canonical_json
from station.ledger.entries import Payload

CellKind = Literal["text", "number", "true_or_false", "json"]


GUARD = "'"
"""Put before a text that a spreadsheet would take for a formula, before one that begins with this
sign itself, and alone in the place of an empty text. Taking one off gives the text back."""


FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First characters that some spreadsheet takes for the beginning of a formula, or skips before one
(common practice, no source; the wide forms are those of East Asian keyboards)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a flat file.

    Parameters
    ----------
    path : tuple of str
        Where in the record the value stands.
    kind : str
        How it is written: ``text`` guarded, ``number`` shortest, ``true_or_false`` as such words,
        ``json`` for lists and tables of values. An empty cell is no value.
    """

    path: tuple[str, ...]
    kind: CellKind

    @property
    def name(self) -> str:
        """The column's heading."""
        return ".".join(self.path)


def columns_of(model: type[BaseModel], prefix: tuple[str, ...] = ()) -> Iterator[Column]:
    """Yield the columns of a model's flat file, models within it opened up."""
    for name, field in model.model_fields.items():
        path = (*prefix, name)
        plain = _without_none(field.annotation)
        if isinstance(plain, type) and issubclass(plain, BaseModel):
            yield from columns_of(plain, path)
        else:
            yield Column(path, _kind_of(plain))


def cell(record: Mapping[str, Any], column: Column) -> str:
    """Return one value of a record, read from JSON, as the text of its cell."""
    value: Any = record
    for name in column.path:
        value = value.get(name) if isinstance(value, Mapping) else None
    if value is None:
        return ""
    if column.kind == "text":
        return guarded(value)
    if column.kind == "true_or_false":
        return "true" if value else "false"
    return repr(value) if column.kind == "number" else canonical_json(value)


def value_of(text: str, column: Column) -> Any:
    """Return what `cell` wrote, as JSON has it; None for an empty cell.

    Raises
    ------
    BadInput
        The text is not what such a column holds.
    """
    if text == "":
        return None
    if column.kind == "text":
        return unguarded(text)
    try:
        if column.kind == "true_or_false":
            return {"true": True, "false": False}[text]
        value = json.loads(text)
    except (KeyError, ValueError) as error:
        raise BadInput(f"{text!r} in the column {column.name} is not as it was written.") from error
    return value


def guarded(text: str) -> str:
    """Return a text as it is safe in a spreadsheet; see `GUARD`."""
    return GUARD + text if text == "" or text.startswith((GUARD, *FORMULA_SIGNS)) else text


def unguarded(text: str) -> str:
    """Return the text that `guarded` was given."""
    return text.removeprefix(GUARD)


def _without_none(annotation: Any) -> Any:
    if get_origin(annotation) in (Union, types.UnionType):
        left = [one for one in get_args(annotation) if one is not type(None)]
        return left[0] if len(left) == 1 else annotation
    return annotation


def _kind_of(plain: Any) -> CellKind:
    if get_origin(plain) is Literal:
        return "text"
    if not isinstance(plain, type):
        return "json"
    if issubclass(plain, bool):
        return "true_or_false"
    if issubclass(plain, int | float):
        return "number"
    return "json" if issubclass(plain, tuple | list | dict) else "text"


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
