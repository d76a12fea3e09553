"""Text that people type for others to read: nothing in it that cannot be seen. Pure."""

import re
import unicodedata
from collections.abc import Callable
from functools import cache

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


def unseen(letter: str) -> bool:
    """Whether nothing is seen of a letter alone, or it changes how others are seen."""
    return unicodedata.category(letter).startswith("C") or bool(_IGNORED.match(letter))


_IGNORED = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)
"""Letters and marks that Unicode leaves blank (Default_Ignorable_Code_Point), and braille's."""


def likeness(text: str) -> str:
    """Text that is equal for what people would take for the same, in whatever case.

    The skeleton of Unicode TS 39 (confusable detection), before and after letters lose their case;
    I, l, 1 and so i are one.
    """
    plain = unicodedata.normalize("NFKC", _skeleton(" ".join(text.split()))).casefold()
    return _skeleton(plain).replace("i", "l")


def _skeleton(text: str) -> str:
    known = _prototypes()
    letters = unicodedata.normalize("NFD", text)
    return unicodedata.normalize("NFD", "".join(known.get(letter, letter) for letter in letters))


@cache
def _prototypes() -> dict[str, str]:
    """What each letter looks like, from the pairs of Unicode's confusables.txt."""
    # A large table that few commands need.
    from confusable_homoglyphs import confusables

    table = confusables.confusables_data
    found = {}
    for letter, pairs in table.items():
        alike = pairs[0]["c"]
        # That with many is what the others look like; of two alone, the longer or the first.
        alone = len(pairs) == 1 and len(letter) == 1
        if alone and (len(table[alike]) > 1 or len(alike) > 1 or alike < letter):
            found[letter] = alike.replace("\u200e", "")
    return found


def demand_address(tool: str, nest: str) -> None:
    """See that a nest can stand in an address, as ``/tools/TOOL/NEST`` (BadInput where not)."""
    if "/" in tool or tool in (".", ".."):
        raise BadInput(
            f"The tool {tool!r} cannot stand in an address: leave the slash or dots out."
        )
    if {"", ".", ".."} & set(nest.split("/")):
        raise BadInput(f"The nest {nest!r} cannot stand in an address: leave dots or slash out.")
