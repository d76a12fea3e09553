"""Calibration points, from a file or by asking the person at the bench."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import click

from calibration.force import HungWeight, hung_force, local_gravity
from calibration.standing import Role
from station.cli.tables import Table, read_table
from station.errors import BadInput
from station.shop.calibrations import PointRow, StandardsInUse, TakenPoints
from station.shop.standards import Place

Unit = Literal["mohm", "n"]
SI: dict[Unit, float] = {"mohm": 1e-3, "n": 1.0}
SHOWN: dict[Unit, str] = {"mohm": "mΩ", "n": "N"}
OF_ROLE: dict[Unit, Role] = {"mohm": "meter", "n": "tester"}


@dataclass(frozen=True, slots=True)
class RowsTaken:
    """Rows before and after adjustment; the second empty if nothing was adjusted."""

    found: tuple[PointRow, ...]
    left: tuple[PointRow, ...]
    in_use: StandardsInUse
    role: Role

    @property
    def points(self) -> TakenPoints:
        """The points of the rows (BadInput where a standard cannot be used)."""
        return TakenPoints(
            self.in_use.points(self.found, self.role), self.in_use.points(self.left, self.role)
        )

    def reference(self, stated: str) -> str:
        """The standards used: as stated, and those on record with certificate and due date."""
        on_record = self.in_use.words([*self.found, *self.left], self.role)
        return "; ".join(filter(None, (stated, on_record)))

    @property
    def overdue(self) -> list[str]:
        """What must be said of standards whose own calibration has run out."""
        return self.in_use.overdue([*self.found, *self.left], self.role)


def points_from(file: Path, unit: Unit, in_use: StandardsInUse) -> RowsTaken:
    """Read points from a file.

    Raises
    ------
    BadInput
        A column is missing, a value is no number, or masses are given without a place.
    """
    optional = (
        "standard", f"reference_{unit}", f"u_reference_{unit}", "series", "mass_kg", "u_mass_kg"
    )  # fmt: skip
    table = read_table(file, (f"reading_{unit}",), optional)
    readings = [value * SI[unit] for value in table.numbers(f"reading_{unit}")]
    series = table.words("series") if table.has("series") else ["as_found"] * len(readings)
    rows: dict[str, list[PointRow]] = {"as_found": [], "as_left": []}
    for name, reference, reading, line in zip(
        series, _references(table, unit, in_use.conditions.place), readings, table.lines,
        strict=True,
    ):  # fmt: skip
        if name not in rows:
            raise BadInput(f"{file.name} line {line}: series is {name!r}: use as_found or as_left.")
        rows[name].append(PointRow(reading, *reference))
    return RowsTaken(tuple(rows["as_found"]), tuple(rows["as_left"]), in_use, OF_ROLE[unit])


Reference = tuple[str | None, float | None, float | None]
"""Name of a standard on record, value, standard uncertainty."""


def _references(table: Table, unit: Unit, place: Place | None) -> Sequence[Reference]:
    if table.has("standard"):
        return _by_standard(table, unit)
    if table.has(f"reference_{unit}"):
        values = table.numbers(f"reference_{unit}")
        us = _or_zeros(table, f"u_reference_{unit}")
        return [(None, v * SI[unit], u * SI[unit]) for v, u in zip(values, us, strict=True)]
    if unit == "n" and table.has("mass_kg"):
        masses, us = table.numbers("mass_kg"), _or_zeros(table, "u_mass_kg")
        return [(None, *weighed(mass, u, place)) for mass, u in zip(masses, us, strict=True)]
    wanted = f"reference_{unit}" + (" or mass_kg" if unit == "n" else "") + " or standard"
    raise BadInput(f"{table.path.name} has no column {wanted}.")


def _by_standard(table: Table, unit: Unit) -> list[Reference]:
    """Standards by name; a reference beside the name is what a cell indicates."""
    column = f"reference_{unit}"
    texts = table.columns[column] if table.has(column) else [""] * len(table.lines)
    found: list[Reference] = []
    for name, text, line in zip(table.words("standard"), texts, table.lines, strict=True):
        try:
            indicated = float(text) * SI[unit] if text else None
        except ValueError:
            raise BadInput(
                f"{table.path.name} line {line}: {column} is {text[:30]!r}, not a number."
            ) from None
        found.append((name, indicated, None))
    return found


def _or_zeros(table: Table, name: str) -> list[float]:
    if not table.has(name):
        return [0.0] * len(table.lines)
    values = table.numbers(name)
    for value, line in zip(values, table.lines, strict=True):
        if value < 0.0:
            raise BadInput(f"{table.path.name} line {line}: {name} is negative.")
    return values


def weighed(mass_kg: float, u_mass_kg: float, place: Place | None) -> tuple[float, float]:
    """Force of a hung weight in newton and its standard uncertainty (BadInput without a place)."""
    if place is None:
        raise BadInput(
            "A weight's force depends on local gravity: give the bench's --latitude and --height-m."
        )
    try:
        force_n, budget = hung_force(HungWeight(mass_kg, u_mass_kg), local_gravity(*place))
    except ValueError as error:
        raise BadInput(f"The weight cannot be used: {error}.") from error
    return force_n, budget.u


def points_asked(unit: Unit, in_use: StandardsInUse) -> RowsTaken:
    """Ask for points one after the other; an empty answer ends them."""
    found = _asked(unit, in_use, "as found, before anything is adjusted")
    adjusted = click.confirm("Was it adjusted", default=False, err=True)
    left = _asked(unit, in_use, "as left, after the adjustment") if adjusted else ()
    return RowsTaken(found, left, in_use, OF_ROLE[unit])


def _asked(unit: Unit, in_use: StandardsInUse, when: str) -> tuple[PointRow, ...]:
    click.echo(f"Points {when}; an empty answer ends them.", err=True)
    place = in_use.conditions.place
    what = "Mass in kg" if unit == "n" and place is not None else f"Reference in {SHOWN[unit]}"
    names = [item.id for item in in_use.standards.values() if item.role == OF_ROLE[unit]]
    if names:
        click.echo(f"Standards on record: {', '.join(names)}.", err=True)
        what += ", or a standard on record"
    rows: list[PointRow] = []
    while answer := _answer(f"{len(rows) + 1}. {what}"):
        reference = _reference(answer, unit, in_use)
        reading = _number(f"   reading in {SHOWN[unit]}")
        if reading is None:
            raise BadInput(f"The point at {answer} has no reading: begin again.")
        rows.append(PointRow(reading * SI[unit], *reference))
    return tuple(rows)


def _reference(answer: str, unit: Unit, in_use: StandardsInUse) -> Reference:
    standard = in_use.standards.get(answer)
    if standard is not None:
        indicated = None
        if standard.kind == "cell":
            indicated = _number(f"   it indicates, in {SHOWN[unit]}")
        return answer, None if indicated is None else indicated * SI[unit], None
    value = _as_number(answer)
    u = _number("   its standard uncertainty") or 0.0
    place = in_use.conditions.place
    if unit == "n" and place is not None:
        force_n, u_n = weighed(value, u, place)
        click.echo(f"   pulls with {force_n:.4f} N here", err=True)
        return None, force_n, u_n
    return None, value * SI[unit], u * SI[unit]


def _answer(question: str) -> str:
    return str(click.prompt(question, default="", show_default=False, err=True)).strip()


def _number(question: str) -> float | None:
    answer = _answer(question)
    return _as_number(answer) if answer else None


def _as_number(answer: str) -> float:
    try:
        value = float(answer)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadInput(f"{answer!r} is not a number: begin again.")
    return value
