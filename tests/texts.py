"""Finds the texts of the page in programs and in files of facts, for ``pybabel`` (.babel.cfg)."""

import ast
import tomllib
from collections.abc import Iterable, Iterator
from typing import IO

from station import errors

Found = tuple[int, str, str, list[str]]

SAYS = {"say"} | {
    name
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, errors.StationError)
}
"""What says its first argument: errors do as well."""

FACTS = {
    "hint", "look_at", "question", "title", "making", "current_clips", "span_from", "span_through",
    "span_to", "fixture", "note", "conditions", "stated_in",
}  # fmt: skip
"""Keys of facts whose texts the page says."""


def said(
    fileobj: IO[bytes], keywords: object, comment_tags: object, options: object
) -> Iterable[Found]:
    """Texts of a program."""
    for node in ast.walk(ast.parse(fileobj.read())):
        match node:
            case ast.Call(func=ast.Name(id=name), args=[ast.Constant(value=str(text)), *_]):
                if name in SAYS and any(map(str.isalpha, text)):
                    yield node.lineno, "gettext", text, []


def facts(
    fileobj: IO[bytes], keywords: object, comment_tags: object, options: object
) -> Iterable[Found]:
    """Texts of a file of facts."""
    return ((1, "gettext", text, []) for text in _texts(tomllib.load(fileobj)))


def _texts(data: object) -> Iterator[str]:
    if isinstance(data, dict):
        for key, part in data.items():
            if key == "words" and isinstance(part, list):
                yield from part
            yield from [part] if key in FACTS and isinstance(part, str) else _texts(part)
    elif isinstance(data, list):
        for part in data:
            yield from _texts(part)
