"""Text that people type for others to read: nothing in it that cannot be seen. Pure."""

import unicodedata
from collections.abc import Callable

from calibration.saying import say
from station.errors import BadInput

Say = Callable[[str], None]

JOINERS = frozenset("\u200c\u200d")
"""Without them some scripts are misspelt and some pictures fall apart."""

UNSEEN = frozenset({"Cc", "Cf", "Cs"})
"""Unicode's general categories of control, format and surrogate characters: directions that turn
the rest of a sentence round are among the format characters."""


def demand_plain(text: str, words: str) -> str:
    """Return a text in which every character can be seen.

    Parameters
    ----------
    words
        What it is, for the message: "the reason".

    Raises
    ------
    BadInput
        It has control characters, or characters that change the order of others.
    """
    for letter in text:
        if letter not in JOINERS and unicodedata.category(letter) in UNSEEN:
            raise BadInput(
                "Type {words} anew: it has a character that cannot be seen "
                "(U+{letter:04X}), as copied text may have.",
                words=say(words),
                letter=ord(letter),
            )
    return text


def demand_address(tool: str, nest: str) -> None:
    """See that a nest can stand in an address, as ``/tools/TOOL/NEST`` (BadInput where not)."""
    if "/" in tool or tool in (".", ".."):
        raise BadInput(
            f"The tool {tool!r} cannot stand in an address: leave the slash or dots out."
        )
    if {"", ".", ".."} & set(nest.split("/")):
        raise BadInput(f"The nest {nest!r} cannot stand in an address: leave dots or slash out.")
