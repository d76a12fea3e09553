"""An export: entries as flat rows of text, which read back as they were, and its notes."""

import types
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from sqlalchemy import Table

from station.files import DATA, read_text
from station.ledger import tables
from station.ledger.chain import canonical_json
from station.ledger.entries import Payload
from station.ledger.entry import Entry

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


def guarded(text: str) -> str:
    """Return a text as it is safe in a spreadsheet; see `GUARD`."""
    return GUARD + text if text == "" or text.startswith((GUARD, *FORMULA_SIGNS)) else text


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


def _columns_in(table: Table, names: Iterable[str]) -> tuple[Column, ...]:
    return tuple(Column((name,), _kind_of(table.c[name].type.python_type)) for name in names)


ENTRY_COLUMNS = _columns_in(
    tables.entry, (field.name for field in fields(Entry) if field.name != "payload")
)
"""What every entry has besides its payload."""


_JSON_TYPES: dict[CellKind, str] = {"text": "string", "true_or_false": "boolean"}


_SAMPLE = (
    "begun_seq", "finished_seq", "sample_id", "at_utc", "person", "job", "connector", "wires",
    "material", "tool", "nest", "limit_set", "limit_standing", "verdict", "void_reason",
    "splice_ohm", "splice_u_ohm", "peak_n", "peak_u_n", "pull_limit_n", "failure_mode",
    "trace_sha256", "meter", "tester", "replaces", "demo", "simulated",
    "not_judged", "only", "terminal_lot", "sleeve_lot", "tool_serial", "reels",
    "crimp_height_m", "crimp_height_u_m", "crimp_width_m", "crimp_width_u_m",
)  # fmt: skip

SAMPLE_COLUMNS = _columns_in(tables.sample, _SAMPLE)
"""A sample as it stands now, corrections included."""


def entry_schema(model: type[Payload], columns: Sequence[Column]) -> dict[str, Any]:
    """Return the JSON Schema of one line of a kind's file, and how its CSV is laid out."""
    envelope = {column.name: {"type": _json_type(column)} for column in ENTRY_COLUMNS}
    payload = model.model_json_schema()
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


README = read_text(DATA / "export.md")
"""What an export's own notes say."""
