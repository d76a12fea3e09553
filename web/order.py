"""From a filled-in form to a sample order, and what the form offers to choose from."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from station.crimp.connectors import CheckItem, Connector, connector_named
from station.crimp.facts import shipped_book, shipped_connectors
from station.crimp.limits import LimitSets
from station.crimp.wire import MATERIALS, material_named, parse_size
from station.errors import BadInput
from station.jobs.comparison import COMPARISON, label_from
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.text import demand_plain
from web.languages import nest_words
from web.nests import all_nests
from web.sentences import said_or_typed
from web.shown import JOB_WORDS, place, standing

MAX_TEXT = 200
"""Longest text that a form field may hold."""

Choice = tuple[str, str]
"""A value and the words shown for it."""


@dataclass(frozen=True)
class Choices:
    """What the form offers. People and places are empty while none are on record."""

    people: list[str]
    places: list[Choice]
    jobs: list[Choice]
    connectors: list[Connector]
    looks: dict[str, list[CheckItem]]
    """What to look at before the test, by the family of the connector."""
    wires: list[str]
    materials: list[str]
    limit_sets: list[Choice]


def choices(reader: LedgerReader, limit_sets: LimitSets) -> Choices:
    """Read what the form offers."""
    connectors = sorted(shipped_connectors().values(), key=lambda item: item.id)
    sizes = {size for item in connectors for size in item.accepts}
    return Choices(
        people=[row.name for row in reader.people()],
        places=[(place(tool, nest), nest_words(tool, nest)) for tool, nest in all_nests(reader)],
        jobs=list(JOB_WORDS.items()),
        connectors=connectors,
        looks={item.family: shipped_book().checklist(item) for item in connectors},
        wires=sorted(sizes, key=lambda size: parse_size(size).area_m2),
        materials=list(MATERIALS),
        limit_sets=[(name, _set_words(limit_sets, name)) for name in limit_sets.ids],
    )


def order_from(form: Mapping[str, str], limit_sets: LimitSets) -> SampleOrder:
    """Read a sample order from a form.

    Raises
    ------
    BadInput, UnknownSize, NoLimit, DataFileError
        A field is empty or names something that does not exist, or the wires do not fit the barrel.
    """
    job = field(form, "job", "the job")
    if job not in JOB_WORDS:
        raise BadInput(f"{job!r} is not a job: choose {', '.join(JOB_WORDS.values())}.")
    connector = connector_named(shipped_connectors(), field(form, "connector", "the connector"))
    tool, nest = tool_and_nest(form)
    wires = _wires(form)
    use_wrong_barrel = form.get("use_wrong_barrel") == "yes"
    fit = shipped_book().fit(connector, [parse_size(size) for size in wires])
    if fit.warning is not None and not use_wrong_barrel:
        raise BadInput(
            f"{fit.warning} To test it all the same, tick that the barrel is wrong on purpose: "
            "that is recorded."
        )
    joint = Joint(
        connector=connector.id,
        wires=wires,
        material=material_named(form.get("material") or "copper").name,
        tool=tool,
        nest=nest,
    )
    limit_set = limit_sets[field(form, "limit_set", "the limit set")].id
    return SampleOrder(
        field(form, "person", "the person"),
        job,
        joint,
        limit_set,
        use_wrong_barrel=use_wrong_barrel,
        checklist=_looked_at(form, connector),
        step=label_from(form.get("way", "")) if job == COMPARISON else None,
    )


def _looked_at(form: Mapping[str, str], connector: Connector) -> dict[str, bool]:
    """Answers to the questions that were looked at; True is good."""
    answers = {item.id: form.get(f"look_{item.id}") for item in shipped_book().checklist(connector)}
    return {name: answer == "yes" for name, answer in answers.items() if answer in ("yes", "no")}


def order_again(row: SampleRow, person: str) -> SampleOrder:
    """Order the same sample again in place of one that was interrupted."""
    return SampleOrder(
        person,
        row.job,
        row.joint,
        row.limit_set,
        offered_again_for=row.sample_id,
        job_id=row.job_id,
        step=row.step,
    )


def field(form: Mapping[str, str], name: str, words: str) -> str:
    """Read a field that must not be empty, nor hold what cannot be seen (BadInput names it)."""
    text = " ".join(form.get(name, "").split())
    if not text:
        raise BadInput(f"Fill in {words}: it was left empty.")
    if len(text) > MAX_TEXT:
        raise BadInput(f"Shorten {words}: it has {len(text)} characters, {MAX_TEXT} will fit.")
    return demand_plain(text, words)


def entry_number(text: str) -> int:
    """Read the number of an entry from an address (ValueError for what cannot be one)."""
    number = int(text)
    if not 0 <= number < 2**63:
        raise ValueError(f"{number} is beyond what SQLite counts to")
    return number


def tool_and_nest(form: Mapping[str, str]) -> tuple[str, str]:
    """Read tool and nest: one choice where some are on record, two texts where none are."""
    chosen = form.get("place")
    if not chosen:
        return field(form, "tool", "the tool"), field(form, "nest", "the nest")
    found = read_place(chosen)
    if found is None:
        raise BadInput("The tool and nest could not be read: choose them from the list.")
    return found


def read_place(text: str) -> tuple[str, str] | None:
    """Read what :func:`web.shown.place` wrote; None for anything else."""
    try:
        parts = json.loads(text)
    except (ValueError, RecursionError):
        return None
    match parts:
        case [str(tool), str(nest)]:
            return tool, nest
    return None


def _wires(form: Mapping[str, str]) -> tuple[str, str]:
    first = parse_size(field(form, "wire", "the wire"))
    other = parse_size(form["wire2"]) if form.get("wire2") else first
    return first.label, other.label


def _set_words(limit_sets: LimitSets, name: str) -> str:
    limit_set = limit_sets[name]
    return f"{name} ({said_or_typed(standing(limit_set.standing))})"
