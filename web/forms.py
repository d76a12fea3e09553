"""From a filled-in form to a sample order, and what the form offers to choose from."""

import json
import math
import re
from collections.abc import Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any, get_args

from werkzeug.datastructures import MultiDict

from calibration.saying import say
from calibration.standing import CHECK_WORDS, UNITS, CheckKind, InstrumentKind
from station.bench.described import KEPT_OF_ORDER
from station.crimp.connectors import Connector, ConnectorBook, connector_named
from station.crimp.limits import LimitSets, SizeCriterion
from station.crimp.verdict import PART_WORDS
from station.crimp.wire import material_named, parse_size, sizes_of_installers
from station.errors import BadInput
from station.jobs.comparison import COMPARISON, label_from
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import InstrumentCalibrated, Joint
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.shop.calibrations import (
    PointRow,
    StandardsInUse,
    TakenPoints,
    calibrated,
    calibrated_tester,
)
from station.shop.checks import CheckDefinition
from station.shop.reels import reels
from station.shop.standards import Conditions, Site, Standards
from station.text import demand_plain
from web.format import JOB_WORDS, place, standing
from web.translation import said_or_typed

MAX_TEXT = 200
"""Longest text that a form field may hold."""

Choice = tuple[str, str]
"""A value and the words shown for it."""


def places(reader: LedgerReader) -> list[Choice]:
    """Every nest of every tool on record."""
    return [
        (place(row.tool, nest), said_or_typed(say("{tool}, nest {nest}", tool=row.tool, nest=nest)))
        for row in reader.tools()
        for nest in row.nests
    ]


def choices(reader: LedgerReader, limit_sets: LimitSets, book: ConnectorBook) -> dict[str, Any]:
    """Read what the form offers; places are empty while none are on record."""
    return {
        "places": places(reader),
        **_fitting(book),
        "limit_sets": [(name, _set_words(limit_sets, name)) for name in limit_sets.ids],
        "reels": [one for one in reels(reader).values() if one.out is None],
    }


@lru_cache(maxsize=4)  # one book serves all pages, and every form would try thousands of pairs
def _fitting(book: ConnectorBook) -> dict[str, Any]:
    connectors = sorted(book.connectors.values(), key=lambda item: item.id)
    made_for = {parse_size(size) for item in connectors for size in item.accepts}
    offered = {*sizes_of_installers(), *made_for}
    sizes = sorted(offered, key=lambda size: (size.area_m2, size.label))
    holds = {
        item.id: [size.label for size in sizes if book.may_hold(item, size)] for item in connectors
    }
    return {"connectors": connectors, "holds": holds, "wires": [size.label for size in sizes]}


def order_from(form: Mapping[str, str], limit_sets: LimitSets, book: ConnectorBook) -> SampleOrder:
    """Read a sample order from a form.

    Raises
    ------
    BadInput, UnknownSize, NoLimit, DataFileError
        A field is empty or names something that does not exist, or the wires do not fit the barrel.
    """
    job = field(form, "job", say("the job"))
    if job not in JOB_WORDS:
        raise BadInput(
            "{job!r} is not a job: choose {job_words}.",
            job=job,
            job_words=", ".join(JOB_WORDS.values()),
        )
    connector, wires = connector_and_wires(form, book)
    tool, nest = tool_and_nest(form)
    use_wrong_barrel = form.get("use_wrong_barrel") == "yes"
    fit = book.fit(connector, [parse_size(size) for size in wires])
    if fit.warning is not None and not use_wrong_barrel:
        raise BadInput(
            "{warning} To test it all the same, tick that the barrel is wrong on purpose: "
            "that is recorded.",
            warning=say(fit.warning),
        )
    joint = Joint(
        connector=connector.id,
        wires=wires,
        material=material_named(form.get("material") or "copper").name,
        tool=tool,
        nest=nest,
    )
    limit_set = form.get("limit_set") or None
    return SampleOrder(
        field(form, "person", say("the person")),
        job,
        joint,
        None if limit_set is None else limit_sets[limit_set].id,
        use_wrong_barrel=use_wrong_barrel,
        step=label_from(form.get("way", "")) if job == COMPARISON else None,
        reels=_reels_in(form, wires),
        pull_wire={"first": 0, "last": len(wires) - 1}.get(form.get("pull_wire", "")),
        hold=form.get("hold") == "yes",
    )


def _reels_in(form: Mapping[str, str], wires: Sequence[str]) -> tuple[str, str]:
    """The reel of each wire; of the second like the first where the wire is."""
    first, second = form.get("reel", ""), form.get("reel2", "")
    return first, second or (first if len(set(wires)) == 1 else "")


def sizes_in(form: Mapping[str, str]) -> dict[SizeCriterion, list[float]]:
    """Read a crimp's sizes in mm, each of some readings; a comma is a decimal point (BadInput)."""
    found: dict[SizeCriterion, list[float]] = {}
    for criterion in get_args(SizeCriterion):
        words = PART_WORDS[criterion.removeprefix("crimp_")]
        readings = form.get(criterion, "")[:MAX_TEXT].replace(",", ".").split()
        if readings:
            found[criterion] = [as_number(one, words) * 1e-3 for one in readings]
    return found


def order_again(begun: Entry, person: str) -> SampleOrder:
    """Order the same sample again in place of one that was begun and interrupted."""
    asked = {name: getattr(begun.payload, name) for name in KEPT_OF_ORDER}
    return SampleOrder(person, offered_again_for=begun.id, **asked)


def field(form: Mapping[str, str], name: str, words: str) -> str:
    """Read a field that must not be empty, nor hold what cannot be seen (BadInput names it)."""
    text = " ".join(form.get(name, "").split())
    if not text:
        raise BadInput("Fill in {words}: it was left empty.", words=say(words))
    if len(text) > MAX_TEXT:
        raise BadInput(
            "Shorten {words}: it has {count} characters, {max_text} will fit.",
            words=say(words),
            count=len(text),
            max_text=MAX_TEXT,
        )
    return demand_plain(text, words)


def entry_number(text: str) -> int:
    """Read the number of an entry from an address (ValueError for what cannot be one)."""
    number = int(text)
    if not 0 <= number < 2**63:
        raise ValueError(f"{number} is beyond what SQLite counts to")
    return number


def tool_and_nest(form: Mapping[str, str]) -> tuple[str, str]:
    """Read tool and nest: one choice where some are on record, two texts where none are."""
    if not form.get("place"):
        return field(form, "tool", say("the tool")), field(form, "nest", say("the nest"))
    found = read_place(form["place"])
    if found is None:
        raise BadInput(
            "The tool and nest could not be read: load the page again, then choose them from the "
            "list."
        )
    return found


def read_place(text: str) -> tuple[str, str] | None:
    """Read what :func:`web.format.place` wrote; None for anything else."""
    try:
        parts = json.loads(text)
    except (ValueError, RecursionError):
        return None
    match parts:
        case [str(tool), str(nest)]:
            return tool, nest
    return None


def connector_and_wires(
    form: Mapping[str, str], book: ConnectorBook
) -> tuple[Connector, tuple[str, ...]]:
    """Read a connector and its wires as records name them (BadInput, UnknownSize)."""
    connector = connector_named(book.connectors, field(form, "connector", say("the connector")))
    first = parse_size(field(form, "wire", say("the wire")))
    second = parse_size(form["wire2"]) if form.get("wire2") else None
    return connector, book.joint_wires(connector, first, second)


def _set_words(limit_sets: LimitSets, name: str) -> str:
    limit_set = limit_sets[name]
    return f"{name} ({said_or_typed(standing(limit_set.standing))})"


CHECKS_OF: dict[InstrumentKind, tuple[CheckKind, ...]] = {
    "meter": ("zero", "resistor", "wire"),
    "tester": ("zero", "weight"),
}
SERIES = ("found", "left")
POINT_FIELDS = ("standard", "reference", "u", "reading")
WIDEST_CHECK = 0.1
"""Share of a standard's value by which a check may let an instrument be off (our own choice)."""

MAX_READINGS = 50
MAX_NOTE = 1000


def number(form: Mapping[str, str], name: str, words: str) -> float | None:
    """Read a number; None where the field is empty (BadInput for anything else)."""
    text = form.get(name, "").strip()
    return None if not text else as_number(text, words)


def needed_number(form: Mapping[str, str], name: str, words: str) -> float:
    """Read a number that must be there (BadInput for an empty field and for anything else)."""
    return as_number(field(form, name, words), words)


def as_number(text: str, words: str) -> float:
    """Read a number; a comma is its point where it cannot be one of thousands (BadInput says which
    number it is that cannot be read)."""
    plain = text if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text) else text.replace(",", ".", 1)
    try:
        value = float(plain) if plain.isascii() and "_" not in plain else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        given = {"words": say(words), "text": text[:40]}
        if "," in text:
            raise BadInput(
                "Give {words} as a number (with a point, not a comma): {text!r} is none.", **given
            )
        raise BadInput("Give {words} as a number: {text!r} is none.", **given)
    return value


def day(form: Mapping[str, str], name: str, words: str) -> date:
    """Read a date (BadInput for anything else)."""
    text = field(form, name, words)
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput(
            "Give {words} as year-month-day: {text!r} is no date.", words=say(words), text=text[:40]
        ) from None


def role_named(text: str) -> InstrumentKind:
    """Read which instrument is meant."""
    for role in CHECKS_OF:
        if role == text:
            return role
    raise BadInput("Say whether the milliohm meter or the pull tester is meant.")


def check_from(
    form: Mapping[str, str], standards: Standards, on: date, site: Site | None
) -> tuple[CheckDefinition, tuple[float, ...] | None]:
    """Read a check and its readings; None where the bench is to read the instrument itself.

    Raises
    ------
    BadInput
        A field is empty, no number, or does not fit the others.
    """
    role = role_named(form.get("role", ""))
    scale = UNITS[role][1]
    kind = _kind(form.get("kind", ""), role)
    standard = "" if kind == "zero" else field(form, "standard", f"which {CHECK_WORDS[kind]}")
    in_use = StandardsInUse(
        standards, Conditions(on, number(form, "temperature_c", say("the temperature")), site)
    )
    expected = _expected(form, kind, standard, in_use, role)
    limit = needed_number(form, "limit", say("how far off it may be"))
    if kind != "zero" and limit * scale > WIDEST_CHECK * abs(expected):
        raise BadInput(
            "Allow less: an instrument that may be off by more than {widest:.0%} of the standard "
            "shows nothing.",
            widest=WIDEST_CHECK,
        )
    instrument = field(form, "instrument", say("the instrument"))
    if standard in standards:
        # Refuses one that is for the other instrument, even where what it should read is given.
        standards.named(standard, role)
    asked = CheckDefinition(role, instrument, kind, standard, expected, limit * scale)
    return asked, None if form.get("how") == "read" else readings_in(form, scale)


def _kind(text: str, role: InstrumentKind) -> CheckKind:
    for kind in CHECKS_OF[role]:
        if kind == text:
            return kind
    there_are = ", ".join(CHECK_WORDS[kind] for kind in CHECKS_OF[role])
    raise BadInput("Choose what it is checked with: {there_are}.", there_are=there_are)


def _expected(
    form: Mapping[str, str],
    kind: CheckKind,
    standard: str,
    in_use: StandardsInUse,
    role: InstrumentKind,
) -> float:
    if kind == "zero":
        return 0.0
    given = number(form, "expected", say("what it should read"))
    if given is not None:
        return given * UNITS[role][1]
    on_record = in_use.expected_at(kind, standard, role)
    if on_record is None:
        raise BadInput(
            "Fill in what it should read: there is no record of a standard {standard!r}.",
            standard=standard,
        )
    return on_record


def readings_in(form: Mapping[str, str], scale: float) -> tuple[float, ...]:
    """Read the field readings: numbers with blanks between them (BadInput for anything else)."""
    words = re.split(r"[\s;]+", field(form, "readings", say("the readings")))
    if len(words) > MAX_READINGS:
        raise BadInput(
            "{count} readings are too many: {max_readings} will do.",
            count=len(words),
            max_readings=MAX_READINGS,
        )
    return tuple(as_number(word, say("every reading")) * scale for word in words if word)


def calibration_from(
    form: MultiDict[str, str], standards: Standards, site: Site | None
) -> InstrumentCalibrated:
    """Read a calibration.

    Raises
    ------
    BadInput
        A field is empty, no number, or does not fit the others, or the points make no calibration.
    """
    role = role_named(form.get("role", ""))
    facts = _facts(form)
    in_use = StandardsInUse(
        standards, Conditions(facts["calibrated_on"], facts["temperature_c"], site)
    )
    found, left = (_rows(form, series, UNITS[role][1]) for series in SERIES)
    rows = [*found, *left]
    reference = "; ".join(filter(None, (facts["reference"], in_use.words(rows, role))))
    if not reference:
        raise BadInput("Fill in the standards used: name them, or choose them in the rows.")
    taken = TakenPoints(in_use.points(found, role), in_use.points(left, role))
    facts["reference"] = reference
    return calibrated(role, facts, taken) if role == "meter" else _tester(form, facts, taken)


def _facts(form: Mapping[str, str]) -> dict[str, Any]:
    note = form.get("note", "").strip()
    if len(note) > MAX_NOTE:
        raise BadInput(
            "Shorten the note: it has {count} characters, {max_note} will fit.",
            count=len(note),
            max_note=MAX_NOTE,
        )
    drift_percent = number(form, "drift_percent", say("the drift")) or 0.0
    if drift_percent < 0.0:
        raise BadInput("The drift must not be negative.")
    return {
        "instrument": field(form, "instrument", say("the instrument")),
        "certificate": field(form, "certificate", say("the certificate number")),
        "reference": " ".join(form.get("reference", "").split())[:MAX_TEXT],
        "calibrated_by": field(form, "calibrated_by", say("who calibrated it")),
        "calibrated_on": day(form, "calibrated_on", say("the day of the calibration")),
        "due_on": day(form, "due_on", say("the day it falls due")),
        "temperature_c": number(form, "temperature_c", say("the temperature")),
        "drift_fraction": drift_percent / 100.0,
        "note": note,
    }


def _tester(
    form: Mapping[str, str], facts: dict[str, Any], taken: TakenPoints
) -> InstrumentCalibrated:
    return calibrated_tester(
        facts,
        taken,
        resolution_n=needed_number(form, "resolution_n", say("one digit of the tester in N")),
        zero_n=number(form, "zero_n", say("the reading after unloading")),
        scheme=field(form, "scheme", say("the scheme of classes")),
        class_wanted=form.get("class_wanted", "").strip() or None,
    )


def _rows(form: MultiDict[str, str], series: str, scale: float) -> list[PointRow]:
    columns = [[text.strip() for text in form.getlist(f"{series}_{name}")] for name in POINT_FIELDS]
    if len({len(column) for column in columns}) > 1:
        raise BadInput("The rows of points are not whole: load the page again.")
    rows = []
    for count, cells in enumerate(zip(*columns, strict=True), start=1):
        if not any(cells):
            continue
        standard, reference, u, reading = cells
        if not reading:
            raise BadInput(
                "Row {count} as {series} has no reading: fill it in or clear the row.",
                count=count,
                series=series,
            )
        where = f"in row {count} as {series}"
        rows.append(
            PointRow(
                as_number(reading, f"the reading {where}") * scale,
                standard or None,
                as_number(reference, f"the reference {where}") * scale if reference else None,
                as_number(u, f"the uncertainty {where}") * scale if u else None,
            )
        )
    return rows
