"""Tools on record: what a new one must have, and nests that are added to one."""

from collections.abc import Sequence

from calibration.saying import say
from station.errors import BadInput
from station.ledger.entries import ToolAdded
from station.ledger.reader import LedgerReader
from station.text import demand_address, demand_plain

LONGEST_NAME = 60
LONGEST_DESCRIPTION = 200
MOST_NESTS = 20


def described_tool(
    reader: LedgerReader, name: str, nests: Sequence[str], description: str = "", serial: str = ""
) -> ToolAdded:
    """Describe a new tool, or one that is on record with more. Nothing is taken away.

    Parameters
    ----------
    nests
        The die cavities as people call them, often by the colour of the connector.
    description
        What it is; kept as it was where this is empty.
    serial
        The number on the tool itself, for its samples to keep; likewise.

    Returns
    -------
    tool_added
        To be entered.

    Raises
    ------
    BadInput
        A name is missing, too long, or has a sign that addresses nests, or nothing is new.
    """
    tool = _named(name, say("the tool"))
    if "/" in tool:
        raise BadInput(
            "The tool {tool!r} has a slash, which divides tool and nest: leave it out.",
            tool=tool,
        )
    known = next((row for row in reader.tools() if row.tool == tool), None)
    given = [_named(nest, say("the nest")) for nest in nests]
    for nest in given:
        demand_address(tool, nest)
    together = tuple(dict.fromkeys((*(known.nests if known else ()), *given)))
    if not given:
        raise BadInput(
            "Name at least one nest of {tool}: the die cavities it crimps with.", tool=tool
        )
    number = demand_plain(" ".join(serial.split())[:LONGEST_NAME], "serial")
    number = number or (known and known.serial) or ""
    if known is not None and (together, number) == (known.nests, known.serial or ""):
        raise BadInput(
            "{tool} is on record with {nests}: name a nest it lacks.",
            tool=tool,
            nests=", ".join(known.nests),
        )
    if len(together) > MOST_NESTS:
        raise BadInput(
            "{tool} would have {count} nests, {most_nests} will fit.",
            tool=tool,
            count=len(together),
            most_nests=MOST_NESTS,
        )
    words = " ".join(description.split())
    if len(words) > LONGEST_DESCRIPTION:
        raise BadInput(
            "Shorten the description of {tool}: {longest_description} signs will fit.",
            tool=tool,
            longest_description=LONGEST_DESCRIPTION,
        )
    if not words and known is not None:
        words = known.description
    return ToolAdded(tool=tool, description=words, nests=together, serial=number or None)


def _named(text: str, what: str) -> str:
    name = " ".join(text.split())
    if not name:
        raise BadInput("Give the name of {what}: it was left empty.", what=say(what))
    if len(name) > LONGEST_NAME or not name.isprintable():
        raise BadInput(
            "Give {what} a name of at most {longest_name} signs that can be printed.",
            what=say(what),
            longest_name=LONGEST_NAME,
        )
    return name
