"""Reads the cells of an export back, as its notes say."""

import json
from typing import Any

from station.errors import BadInput
from station.ledger.export_format import GUARD, Column


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


def unguarded(text: str) -> str:
    """Return the text that `guarded` was given."""
    return text.removeprefix(GUARD)
