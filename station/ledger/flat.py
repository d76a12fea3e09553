"""Entries as flat rows of text: what a spreadsheet shows, and what reads back as it was. Pure."""

import json
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from station.errors import BadInput
from station.ledger.chain import canonical_json

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
