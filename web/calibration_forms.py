"""From filled-in forms to calibrations and checks, in SI units."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from calibration.standing import (
    CHECK_WORDS,
    UNITS,
    CheckKind,
    Role,
)
from station.errors import BadInput
from station.shop.calibrations import (
    Calibrated,
    PointRow,
    StandardsInUse,
    TakenPoints,
    calibrated_meter,
    calibrated_tester,
)
from station.shop.checks import CheckDefinition
from station.shop.standards import Conditions, Place, Standards
from web.order import MAX_TEXT, field

CHECKS_OF: dict[Role, tuple[CheckKind, ...]] = {
    "meter": ("zero", "resistor", "wire"),
    "tester": ("zero", "weight"),
}
SERIES = ("found", "left")
MAX_READINGS = 50
MAX_NOTE = 1000


class Form(Protocol):
    """A form in which a name may come several times."""

    def getlist(self, key: str) -> list[str]:
        """All values of a name, in order."""


@dataclass(frozen=True, slots=True)
class CheckForm:
    """A check as asked for; ``readings`` None where the bench is to read the instrument itself."""

    definition: CheckDefinition
    readings: tuple[float, ...] | None
    warnings: tuple[str, ...]


def number(form: Mapping[str, str], name: str, words: str) -> float | None:
    """Read a number; None where the field is empty (BadInput for anything else)."""
    text = form.get(name, "").strip()
    return None if not text else as_number(text, words)


def as_number(text: str, words: str) -> float:
    """Read a number with a decimal point (BadInput says which one it is that cannot be read)."""
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        hint = " (with a point, not a comma)" if "," in text else ""
        raise BadInput(f"Give {words} as a number{hint}: {text[:40]!r} is none.")
    return value


def day(form: Mapping[str, str], name: str, words: str) -> date:
    """Read a date (BadInput for anything else)."""
    text = field(form, name, words)
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput(f"Give {words} as year-month-day: {text[:40]!r} is no date.") from None


def role_named(text: str) -> Role:
    """Read which instrument is meant."""
    if text == "meter":
        return "meter"
    if text == "tester":
        return "tester"
    raise BadInput("Say whether the milliohm meter or the pull tester is meant.")


def check_from(
    form: Mapping[str, str], standards: Standards, on: date, place: Place | None
) -> CheckForm:
    """Read a check.

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
        standards, Conditions(on, number(form, "temperature_c", "the temperature"), place)
    )
    expected = _expected(form, kind, standard, in_use, role)
    limit = number(form, "limit", "how far off it may be")
    if limit is None:
        raise BadInput("Fill in how far off it may be: it was left empty.")
    instrument = field(form, "instrument", "the instrument")
    rows = [PointRow(expected, standard)] if standard in standards else []
    return CheckForm(
        CheckDefinition(role, instrument, kind, standard, expected, limit * scale),
        None if form.get("how") == "read" else readings_in(form, scale),
        tuple(in_use.overdue(rows, role)),
    )


def _kind(text: str, role: Role) -> CheckKind:
    for kind in CHECKS_OF[role]:
        if kind == text:
            return kind
    there_are = ", ".join(CHECK_WORDS[kind] for kind in CHECKS_OF[role])
    raise BadInput(f"Choose what it is checked with: {there_are}.")


def _expected(
    form: Mapping[str, str], kind: CheckKind, standard: str, in_use: StandardsInUse, role: Role
) -> float:
    if kind == "zero":
        return 0.0
    given = number(form, "expected", "what it should read")
    if given is not None:
        return given * UNITS[role][1]
    on_record = in_use.expected_at(kind, standard, role)
    if on_record is None:
        raise BadInput(
            f"Fill in what it should read: there is no record of a standard {standard!r}."
        )
    return on_record


def readings_in(form: Mapping[str, str], scale: float) -> tuple[float, ...]:
    """Read the field readings: numbers with blanks between them (BadInput for anything else)."""
    words = re.split(r"[\s;]+", field(form, "readings", "the readings"))
    if len(words) > MAX_READINGS:
        raise BadInput(f"{len(words)} readings are too many: {MAX_READINGS} will do.")
    return tuple(as_number(word, "every reading") * scale for word in words if word)


def calibration_from(
    form: Mapping[str, str], lists: Form, standards: Standards, place: Place | None
) -> tuple[Calibrated, tuple[str, ...]]:
    """Read a calibration, and what must be said of the standards used.

    Raises
    ------
    BadInput
        A field is empty, no number, or does not fit the others, or the points make no calibration.
    """
    role = role_named(form.get("role", ""))
    facts = _facts(form)
    in_use = StandardsInUse(
        standards, Conditions(facts["calibrated_on"], facts["temperature_c"], place)
    )
    found, left = (_rows(lists, series, UNITS[role][1]) for series in SERIES)
    rows = [*found, *left]
    reference = "; ".join(filter(None, (facts["reference"], in_use.words(rows, role))))
    if not reference:
        raise BadInput("Fill in the standards used: name them, or choose them in the rows.")
    taken = TakenPoints(in_use.points(found, role), in_use.points(left, role))
    facts["reference"] = reference
    made = (
        calibrated_meter(facts, taken)
        if role == "meter"
        else _tester(form, facts, taken)
    )  # fmt: skip
    return made, tuple(in_use.overdue(rows, role))


def _facts(form: Mapping[str, str]) -> dict[str, Any]:
    note = form.get("note", "").strip()
    if len(note) > MAX_NOTE:
        raise BadInput(f"Shorten the note: it has {len(note)} characters, {MAX_NOTE} will fit.")
    drift_percent = number(form, "drift_percent", "the drift") or 0.0
    if drift_percent < 0.0:
        raise BadInput("The drift must not be negative.")
    return {
        "instrument": field(form, "instrument", "the instrument"),
        "certificate": field(form, "certificate", "the certificate number"),
        "reference": " ".join(form.get("reference", "").split())[:MAX_TEXT],
        "calibrated_by": field(form, "calibrated_by", "who calibrated it"),
        "calibrated_on": day(form, "calibrated_on", "the day of the calibration"),
        "due_on": day(form, "due_on", "the day it falls due"),
        "temperature_c": number(form, "temperature_c", "the temperature"),
        "drift_fraction": drift_percent / 100.0,
        "note": note,
    }


def _tester(form: Mapping[str, str], facts: dict[str, Any], taken: TakenPoints) -> Calibrated:
    resolution_n = number(form, "resolution_n", "one digit of the tester")
    if resolution_n is None:
        raise BadInput("Fill in one digit of the tester in N: it was left empty.")
    return calibrated_tester(
        facts,
        taken,
        resolution_n=resolution_n,
        zero_n=number(form, "zero_n", "the reading after unloading"),
        scheme=field(form, "scheme", "the scheme of classes"),
        class_wanted=form.get("class_wanted", "").strip() or None,
    )


def _rows(lists: Form, series: str, scale: float) -> list[PointRow]:
    columns: Sequence[list[str]] = [
        [text.strip() for text in lists.getlist(f"{series}_{name}")]
        for name in ("standard", "reference", "u", "reading")
    ]
    if len({len(column) for column in columns}) > 1:
        raise BadInput("The rows of points are not whole: load the page again.")
    rows = []
    for count, cells in enumerate(zip(*columns, strict=True), start=1):
        standard, reference, u, reading = cells
        if not any(cells):
            continue
        if not reading:
            raise BadInput(f"Row {count} as {series} has no reading: fill it in or clear the row.")
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


def check_kinds(role: Role) -> list[tuple[CheckKind, str]]:
    """What an instrument can be checked with, in words."""
    return [(kind, CHECK_WORDS[kind]) for kind in CHECKS_OF[role]]
