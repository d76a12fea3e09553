"""Data sheets of terminals: the height and width that a crimp is to have, as a shop's own files."""

from collections.abc import Iterable
from typing import Annotated

from pydantic import Field, field_validator

from station.crimp.in_force import Facts
from station.crimp.limits import Limit, SizeCriterion
from station.crimp.wire import parse_size

Millimetres = Annotated[float, Field(gt=0.0, lt=100.0)]


class Target(Facts):
    """A size in millimetre and what it may be off by on either side, as printed."""

    mm: Millimetres
    tolerance_mm: Millimetres


class DataSheet(Facts):
    """A data sheet: one file per terminal. Sizes are never interpolated."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    connector: str
    """The connector, by its id, that it is for."""
    source: str
    edition: str
    standing: Annotated[str, Field(pattern=r"^(seen-[1-9]\d*|shop)$")]
    """``seen-n`` texts, or a ``shop``'s own; none is taken from memory."""
    measured: str = "where it is measured is not stated"
    """Where on the crimp, and with which tips."""
    wires: dict[str, dict[SizeCriterion, Target]]
    """By wire; several in one barrel are joined by `` + ``, the smaller first."""

    @field_validator("wires")
    @classmethod
    def _canonical(cls, wires: dict[str, object]) -> dict[str, object]:
        for label in wires:
            if (name := wires_named(label.split(" + "))) != label:
                raise ValueError(f"write {label!r} as {name!r}")
        return wires


def wires_named(wires: Iterable[str]) -> str:
    """Name the wires of one barrel as a data sheet does."""
    sizes = sorted(map(parse_size, wires), key=lambda size: (size.area_m2, size.label))
    return " + ".join(size.label for size in sizes)


def size_limits(sheets: Iterable[DataSheet], connector: str, wires: Iterable[str]) -> list[Limit]:
    """The sizes that the data sheets state for the crimp of some wires."""
    label = wires_named(wires)
    return [
        Limit(
            set_id=sheet.id, title=sheet.title, criterion=criterion, size=label, value=target.mm,
            unit="mm", value_si=target.mm * 1e-3, unit_si="m", source=sheet.source,
            edition=sheet.edition, standing=sheet.standing, conditions=sheet.measured,
            tolerance_si=target.tolerance_mm * 1e-3, test_current_a=None, note=None,
        )
        for sheet in sheets if sheet.connector == connector
        for criterion, target in sheet.wires.get(label, {}).items()
    ]  # fmt: skip
