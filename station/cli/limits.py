"""Commands on what a crimp must be: limits, judge, connectors."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import get_args

import click

from station.cli.options import json_option, picked, print_result, size_option
from station.cli.wire import SIZES_MAY_START_WITH_A_DASH
from station.crimp.connectors import (
    WRONG_BARREL,
    CheckItem,
    Connector,
    ConnectorBook,
    connector_named,
    insulation_gap_mm,
    strip_length_mm,
)
from station.crimp.facts import drawing, shipped_book, shipped_limit_sets
from station.crimp.in_force import Judged
from station.crimp.limits import FORCES, Limit
from station.crimp.pull import PullEnd
from station.crimp.strength import strength_words
from station.crimp.units import standing_words
from station.crimp.verdict import (
    DEFAULT_GUARD,
    Judgement,
    Measured,
    Verdict,
    condemned_words,
    judge_sample,
    parts_not_judged,
    verdict_of,
    verdict_words,
)
from station.crimp.wire import WireSize, parse_size, resistance_ohm_per_m
from station.errors import BadInput, NoLimit

PEOPLE_UNITS = {"N": ("N", 1.0), "V": ("mV", 1e3), "ohm": ("mohm", 1e3), "1": ("1", 1.0)}
"""SI unit -> (unit that people read, factor)."""

CAUTION = (
    "Limits are guidance: the standard's edition in force, local codes and licensed",
    "practice decide.",
)


@click.command(
    context_settings=SIZES_MAY_START_WITH_A_DASH,
    epilog='Example: station limits "18 AWG" --set ul-486a-1991',
)
@click.argument("size")
@click.option("set_id", "--set", metavar="ID", help="Only this limit set.")
@json_option
def limits(size: str, set_id: str | None, as_json: bool) -> None:
    """Print every limit for a wire SIZE with its source and standing."""
    found = shipped_limit_sets().for_size(parse_size(size), set_id)
    print_result(as_json, [_limit_document(limit) for limit in found], _limit_lines(found))


def _limit_document(limit: Limit) -> dict[str, object]:
    names = "criterion value unit value_si unit_si test_current_a source standing conditions note"
    return {"set": limit.set_id} | picked(limit, names) | {"source": _source(limit)}


def _source(limit: Limit) -> str:
    return f"{limit.source}, {limit.edition}"


def _limit_lines(found: list[Limit]) -> Iterator[str]:
    for limit in found:
        what = f"{limit.criterion.replace('_', ' ')} {limit.value:g} {limit.unit}"
        if limit.unit != limit.unit_si and limit.unit_si == "N":
            what += f" = {limit.value_si:.1f} N"
        if limit.test_current_a is not None:
            what += f" at {limit.test_current_a:g} A"
        yield f"{limit.set_id}: {what}"
        yield f"    {_source(limit)} [{standing_words(limit.standing)}]"
        yield f"    {limit.conditions}" + (f"; {limit.note}" if limit.note else "")
    yield from CAUTION


def looks_said(said: tuple[str, ...]) -> dict[str, str]:
    """Read what --look says of each look (BadInput where it cannot be read or says two things)."""
    known, given = shipped_book().items, dict[str, str]()
    for text in said:
        name, _, answer = text.partition("=")
        if name not in known or answer not in ("yes", "no"):
            raise BadInput(
                f"--look {text[:60]!r} is not ID=yes or ID=no with one of {', '.join(known)}."
            )
        if given.setdefault(name, answer) != answer:
            raise BadInput(f"--look {name} was given both as yes and as no.")
    return given


@dataclass(frozen=True)
class Looks:
    """What was seen of the joint: answers by look, and what they say together."""

    answers: dict[str, str]
    judged: bool = False
    condemned_by: tuple[str, ...] = ()


@click.command(
    # Broken by hand: click would break it within an option.
    epilog="\b\nExample: station judge --wire '18 AWG' --set ul-486a-1991 --force-n 92 \\\n"
    "  --force-u-n 0.5 --only pull"
)
@click.option("--wire", required=True, metavar="SIZE")
@click.option("set_ids", "--set", required=True, multiple=True, metavar="ID", help="To judge by.")
@click.option("said", "--look", multiple=True, metavar="ID=yes|no", help="What was seen.")
@click.option("--connector", metavar="ID", help="Whose looks are asked; else told by their ids.")
@click.option("--only", type=click.Choice(get_args(Judged)), help="Judge nothing but this.")
@size_option("--force-n", help="Peak pull force in newton.")
@size_option("--force-u-n")
@size_option("--held-s", help="For how long the force was held; else it is a peak.")
@click.option("--resistance-mohm", type=float, help="Resistance of the splice in milliohm.")
@size_option("--resistance-u-mohm")
@click.option("--current-a", type=float, help="Current for a voltage drop; else the set's own.")
@click.option(
    "length_mm",
    "--share-length-mm",
    "--length-mm",
    type=float,
    help="Length that a ratio to equal length is stated for.",
)
@size_option("--guard", default=DEFAULT_GUARD)
@json_option
def judge(
    wire: str,
    set_ids: tuple[str, ...],
    said: tuple[str, ...],
    connector: str | None,
    only: Judged | None,
    force_n: float | None,
    force_u_n: float | None,
    held_s: float | None,
    resistance_mohm: float | None,
    resistance_u_mohm: float | None,
    current_a: float | None,
    length_mm: float | None,
    guard: float,
    as_json: bool,
) -> int:
    """Judge a sample by what was seen and by limits of one or more sets; exit 1 where it fails.

    It passes where looks, pull and resistance were each judged and hold, or what --only names.
    """
    size = parse_size(wire)
    looks = _looks(said, connector, size)
    found = _limits_of(size, set_ids, only)
    force = None if only == "resistance" else _force(force_n, force_u_n, held_s)
    resistance = None if only == "pull" else _resistance(resistance_mohm, resistance_u_mohm)
    equal_length = None if resistance is None else _equal_length(size, length_mm)
    _check_something_to_judge(found, looks, force, resistance, equal_length)
    judged = judge_sample(
        found, force=force, resistance=resistance, equal_length=equal_length,
        current_a=current_a, guard=guard,
    )  # fmt: skip
    values = ((limit.criterion, judgement.value) for limit, judgement in judged)
    not_judged = parts_not_judged(values, looked=looks.judged)
    # Told to judge one thing only, it asks for no look that nobody gave.
    asked = [part for part in not_judged if part != "looks" or said or not only]
    verdict = verdict_of(
        (judgement.verdict for _, judgement in judged),
        asked,
        condemned=bool(looks.condemned_by),
        only=only,
    )
    document = {
        "verdict": verdict.value,
        "criteria": [_criterion_document(limit, judgement) for limit, judgement in judged],
        "not_judged": not_judged,
        "looks": looks.answers,
        "condemned_by": looks.condemned_by,
        "only": only,
    }
    print_result(as_json, document, _judged_lines(verdict, judged, not_judged, looks, only))
    return 1 if verdict is Verdict.FAIL else 0


def _limits_of(size: WireSize, set_ids: tuple[str, ...], only: Judged | None) -> list[Limit]:
    """Limits of all sets for a size; of one kind where only that is judged."""
    sets = shipped_limit_sets()
    found = [limit for name in dict.fromkeys(set_ids) for limit in sets.for_size(size, name)]
    chosen = [limit for limit in found if only in (None, _kind(limit))]
    if not chosen:
        raise NoLimit(f"{', '.join(set_ids)} for {size.label}: no limit for a {only}.")
    return chosen


def _kind(limit: Limit) -> Judged:
    return "pull" if limit.criterion in FORCES else "resistance"


def _looks(said: tuple[str, ...], connector: str | None, size: WireSize) -> Looks:
    """Answers to the looks of a connector, else of the kind of connector that they fit best."""
    book = shipped_book()
    given = looks_said(said)
    if connector is None and not given:
        return Looks({})
    known = book.connectors
    chosen = known.values() if connector is None else [connector_named(known, connector)]
    asked = max((book.checklist(one) for one in chosen), key=lambda items: _answered(items, given))
    answers = {item.id: given.get(item.id, "not answered") for item in asked} | given
    faults = [book.items[name] for name, answer in given.items() if answer == "no"]
    condemned = [item.question for item in faults if item.critical]
    if connector is not None:
        joint = book.condemned_by(known[connector], {}, [size])
        # One wire says nothing of a barrel that takes several.
        shared = book.in_one_barrel(known[connector], [size])
        condemned += [what for what in joint if not shared or what != WRONG_BARREL]
    return Looks(answers, _answered(asked, given)[0], tuple(condemned))


def _answered(asked: list[CheckItem], given: dict[str, str]) -> tuple[bool, int]:
    """Whether every critical look is answered, and how many looks are."""
    critical = {item.id for item in asked if item.critical}
    return bool(critical) and critical <= given.keys(), sum(item.id in given for item in asked)


def _judged_lines(
    verdict: Verdict,
    judged: list[tuple[Limit, Judgement]],
    not_judged: tuple[str, ...],
    looks: Looks,
    only: Judged | None,
) -> Iterator[str]:
    words = verdict_words(verdict, not_judged, only)
    yield verdict.upper() + words[len(verdict) :]
    for name, answer in looks.answers.items():
        item = shipped_book().items[name]
        yield f"    {item.question} {answer}{' CRITICAL' if item.critical else ''}"
    yield from (f"    {condemned_words(what)}" for what in looks.condemned_by)
    for limit, judgement in judged:
        yield "    " + _criterion_line(limit, judgement)
        yield f"        {limit.words}"
        if words := strength_words(limit.criterion, limit.value_si, limit.size):
            yield f"        {words}"
        if judgement.note:
            yield f"        {judgement.note}"
    yield from CAUTION


def _force(force_n: float | None, u_n: float | None, held_s: float | None) -> Measured | None:
    if force_n is None:
        if held_s is not None:
            raise BadInput("--held-s needs the force that was held: give it with --force-n.")
        return None
    end: PullEnd = "destructive" if held_s is None else "hold"
    return Measured(force_n, u_n, end=end, held_s=held_s)


def _resistance(mohm: float | None, u_mohm: float | None) -> Measured | None:
    if mohm is None:
        return None
    if not math.isfinite(mohm):
        raise BadInput(f"--resistance-mohm must be a number, not {mohm}.")
    return Measured(mohm * 1e-3, None if u_mohm is None else u_mohm * 1e-3)


def _equal_length(size: WireSize, length_mm: float | None) -> Measured | None:
    if length_mm is None:
        return None
    if not (math.isfinite(length_mm) and length_mm > 0.0):
        raise BadInput(f"--length-mm must be a positive length, not {length_mm}.")
    return Measured(resistance_ohm_per_m(size) * length_mm * 1e-3)


def _check_something_to_judge(
    found: list[Limit],
    looks: Looks,
    force: Measured | None,
    resistance: Measured | None,
    equal_length: Measured | None,
) -> None:
    criteria = {limit.criterion for limit in found}
    sets = ", ".join(dict.fromkeys(limit.set_id for limit in found))
    where = f"Limit set {sets} for {found[0].size}"
    if force is None and resistance is None and not looks.answers:
        raise BadInput("Nothing to judge: give --force-n, --resistance-mohm or --look.")
    if force is not None and "pull_force_min" not in criteria:
        raise NoLimit(f"{where} has no pull force limit: leave --force-n out or use another set.")
    if resistance is not None and criteria <= {"pull_force_min"}:
        raise NoLimit(
            f"{where} has no electrical limit: leave --resistance-mohm out or use another set."
        )
    if "resistance_ratio_max" in criteria and resistance is not None and equal_length is None:
        raise BadInput(f"{where} compares with an equal length of wire: state it with --length-mm.")


def _criterion_document(limit: Limit, judged: Judgement) -> dict[str, object]:
    unit, factor = PEOPLE_UNITS[limit.unit_si]
    return {
        **picked(limit, "criterion edition standing"),
        "set": limit.set_id,
        "source": _source(limit),
        "unit": unit,
        "value": None if judged.value is None else judged.value * factor,
        "u": None if judged.u is None else judged.u * factor,
        "limit": limit.value_si * factor,
        "verdict": judged.verdict.value,
        **picked(judged, "probability_conforming note"),
        "hold_s": limit.hold_s if limit.criterion in FORCES else None,
    }


def _criterion_line(limit: Limit, judged: Judgement) -> str:
    unit, factor = PEOPLE_UNITS[limit.unit_si]
    name = limit.criterion.replace("_", " ")
    most = f"limit {limit.value_si * factor:.4g} {unit}"
    if judged.value is None:
        return f"{name}: not measured, {most}: {judged.verdict.value}"
    value = f"{judged.value * factor:.4g}"
    if judged.u is not None:
        value += f" (u {judged.u * factor:.2g})"
    sure = ""
    if judged.probability_conforming is not None:
        sure = f", conforming with probability {judged.probability_conforming:.3f}"
    return f"{name}: {value} {unit}, {most}: {judged.verdict.value}{sure}"


@click.command(
    epilog="Example: station connectors parallel-splice-blue --wire '18 AWG' --wire '18 AWG'"
)
@click.argument("name", required=False)
@click.option("--wire", "wires", multiple=True, metavar="SIZE", help="A wire to be crimped.")
@json_option
def connectors(name: str | None, wires: tuple[str, ...], as_json: bool) -> int:
    """List the connectors, or say of one how to strip, clip and look at it.

    With --wire, once per wire, exit 1 says that the barrel is not made for them.
    """
    book = shipped_book()
    sizes = [parse_size(wire) for wire in wires]
    chosen = list(book.connectors.values())
    if name is not None:
        chosen = [connector_named(book.connectors, name)]
    documents = [_connector_document(book, connector, sizes) for connector in chosen]
    if name is not None:
        print_result(as_json, documents[0], _connector_lines(book, chosen[0], sizes))
        return 1 if documents[0]["warning"] is not None else 0
    takes = (f"{one.id}: {one.title}, takes {', '.join(one.accepts)}" for one in chosen)
    print_result(as_json, documents, takes)
    return 0


def _connector_document(
    book: ConnectorBook, connector: Connector, sizes: list[WireSize]
) -> dict[str, object]:
    family = book.family_of(connector)
    return {
        **picked(connector, "id title accepts source standing"),
        **picked(family, "accepted_joint current_clips sense_clips fixture"),
        "family": family.title,
        "strip_length_mm": strip_length_mm(connector, family),
        "span": {
            "from": family.span_from,
            "through": family.span_through,
            "to": family.span_to,
            "drawing": drawing(family),
            **picked(family, "wire_shares"),
            **picked(connector, "replaces_wire_mm"),
        },
        "checklist": [item.model_dump() for item in book.checklist(connector)],
        "warning": book.fit(connector, sizes).warning if sizes else None,
    }


def _connector_lines(
    book: ConnectorBook, connector: Connector, sizes: list[WireSize]
) -> Iterator[str]:
    family = book.family_of(connector)
    yield f"{connector.title}: takes {', '.join(connector.accepts)}"
    yield f"Making: {family.making}"
    if strip := strip_length_mm(connector, family):
        yield f"Strip {strip[0]:g} to {strip[1]:g} mm: barrel, what shows past it, bare gap."
    yield f"Current clips: {family.current_clips}."
    yield f"Sense clips: {family.sense_clips}."
    yield f"All of the span counts as wire; {connector.replaces_wire_mm:g} mm of it are connector."
    yield f"Fixture: {family.fixture}."
    yield "Before any clip goes on: battery disconnected, circuit dead. Look first:"
    for item in book.checklist(connector):
        figure = f" ({item.figure})" if item.figure else ""
        yield f"  - {item.question}{figure}{' CRITICAL' if item.critical else ''}"
    for size in dict.fromkeys(sizes):
        low, high = insulation_gap_mm(size)
        yield f"Gap between insulation and barrel for {size.label}: {low:g} to {high:g} mm."
    if family.note:
        yield family.note
    yield f"From: {connector.source} [{connector.standing}]"
    if sizes and (warning := book.fit(connector, sizes).warning):
        yield f"WRONG BARREL: {warning}"
