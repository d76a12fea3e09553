"""Calibration points, from a file or by asking the person at the bench."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import click

from calibration.force import HungWeight, hung_force, local_gravity
from calibration.records import CalibrationPoint
from station.cli.tables import Table, read_table
from station.errors import BadInput

Unit = Literal["mohm", "n"]
SI: dict[Unit, float] = {"mohm": 1e-3, "n": 1.0}
SHOWN: dict[Unit, str] = {"mohm": "mΩ", "n": "N"}

Place = tuple[float, float]
"""Latitude in degrees and height in m."""


@dataclass(frozen=True, slots=True)
class TakenPoints:
    """Points in SI units, before and after adjustment; the second empty if nothing was adjusted."""

    as_found: tuple[CalibrationPoint, ...]
    as_left: tuple[CalibrationPoint, ...]


def points_from(file: Path, unit: Unit, place: Place | None = None) -> TakenPoints:
    """Read points from a file.

    Raises
    ------
    BadInput
        A column is missing, a value is no number, or masses are given without a place.
    """
    optional = (f"reference_{unit}", f"u_reference_{unit}", "series", "mass_kg", "u_mass_kg")
    table = read_table(file, (f"reading_{unit}",), optional)
    readings = [value * SI[unit] for value in table.numbers(f"reading_{unit}")]
    references = _references(table, unit, place)
    series = table.words("series") if table.has("series") else ["as_found"] * len(readings)
    points: dict[str, list[CalibrationPoint]] = {"as_found": [], "as_left": []}
    for name, (value, u), reading, line in zip(
        series, references, readings, table.lines, strict=True
    ):
        if name not in points:
            raise BadInput(f"{file.name} line {line}: series is {name!r}: use as_found or as_left.")
        points[name].append(CalibrationPoint(value, u, reading))
    return TakenPoints(tuple(points["as_found"]), tuple(points["as_left"]))


def _references(table: Table, unit: Unit, place: Place | None) -> list[tuple[float, float]]:
    if table.has(f"reference_{unit}"):
        values = table.numbers(f"reference_{unit}")
        us = _or_zeros(table, f"u_reference_{unit}")
        return [(value * SI[unit], u * SI[unit]) for value, u in zip(values, us, strict=True)]
    if unit == "n" and table.has("mass_kg"):
        masses, us = table.numbers("mass_kg"), _or_zeros(table, "u_mass_kg")
        return [weighed(mass, u, place) for mass, u in zip(masses, us, strict=True)]
    wanted = f"reference_{unit}" + (" or mass_kg" if unit == "n" else "")
    raise BadInput(f"{table.path.name} has no column {wanted}.")


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


def points_asked(unit: Unit, place: Place | None = None) -> TakenPoints:
    """Ask for points one after the other; an empty answer ends them."""
    found = _asked(unit, place, "as found, before anything is adjusted")
    adjusted = click.confirm("Was it adjusted", default=False, err=True)
    left = _asked(unit, place, "as left, after the adjustment") if adjusted else ()
    return TakenPoints(found, left)


def _asked(unit: Unit, place: Place | None, when: str) -> tuple[CalibrationPoint, ...]:
    click.echo(f"Points {when}; an empty answer ends them.", err=True)
    what = "Mass in kg" if place is not None else f"Reference in {SHOWN[unit]}"
    points: list[CalibrationPoint] = []
    while (reference := _number(f"{len(points) + 1}. {what}")) is not None:
        if place is not None:
            value, u = weighed(reference, _number("   its standard uncertainty") or 0.0, place)
            click.echo(f"   pulls with {value:.4f} N here", err=True)
        else:
            value = reference * SI[unit]
            u = (_number("   its standard uncertainty") or 0.0) * SI[unit]
        reading = _number(f"   reading in {SHOWN[unit]}")
        if reading is None:
            raise BadInput(f"The point at {reference:g} has no reading: begin again.")
        points.append(CalibrationPoint(value, u, reading * SI[unit]))
    return tuple(points)


def _number(question: str) -> float | None:
    answer = click.prompt(question, default="", show_default=False, err=True).strip()
    if not answer:
        return None
    try:
        value = float(answer)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadInput(f"{answer!r} is not a number: begin again.")
    return value
