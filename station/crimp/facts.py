"""The shipped facts of crimping and a shop's own: limits, connectors, causes."""

from functools import cache
from importlib.resources.abc import Traversable
from pathlib import Path

from station.crimp.causes import Cause, CauseFile
from station.crimp.connectors import CheckItem, Connector, ConnectorBook, Family
from station.crimp.data_sheets import DataSheet
from station.crimp.in_force import Facts, LimitsInForce
from station.crimp.limits import LimitSet, LimitSets
from station.errors import DataFileError
from station.files import DATA, read_all, read_toml


def load_limit_sets(extra: Path | None = None, choice: LimitsInForce | None = None) -> LimitSets:
    """The shipped limit sets and those of the folder ``extra``, with the choice in force."""
    folders: list[Traversable | Path] = [DATA / "limit_sets"]
    return LimitSets(read_all([*folders, *([extra] if extra else [])], LimitSet), choice)


@cache
def shipped_limit_sets() -> LimitSets:
    """The shipped limit sets, read once."""
    return load_limit_sets()


def load_data_sheets(folder: Path, connectors: ConnectorBook) -> list[DataSheet]:
    """The data sheets of a shop's terminals; none ships (DataFileError for what is wrong)."""
    sheets = read_all([folder], DataSheet)
    for sheet in sheets:
        if sheet.connector not in connectors.connectors:
            raise DataFileError(f"{sheet.id}.toml: there is no connector {sheet.connector!r}.")
    return sheets


class _FamilyFile(Facts):
    """The file that holds all families and what to look at."""

    items: tuple[CheckItem, ...]
    families: tuple[Family, ...]


def load_connectors(extra: Path | None = None) -> ConnectorBook:
    """The shipped families and connectors, and a shop's own connectors from a folder.

    Raises
    ------
    DataFileError
        A file cannot be read, or names a family or check item that there is none of.
    """
    shared = read_toml(DATA / "families.toml", _FamilyFile)
    items = {item.id: item for item in shared.items}
    families = {family.id: family for family in shared.families}
    for family in shared.families:
        for name in family.checklist + family.checklist_bare:
            if name not in items:
                raise DataFileError(f"families.toml: {family.id} lists no such item: {name}.")
    folders: list[Traversable | Path] = [DATA / "connectors", *([extra] if extra else [])]
    connectors = {item.id: item for item in read_all(folders, Connector)}
    for connector in connectors.values():
        if connector.family not in families:
            raise DataFileError(
                f"{connector.id}.toml: there is no family {connector.family!r}: use one of "
                f"{', '.join(families)}."
            )
    return ConnectorBook(families, items, connectors)


def drawing(family: Family) -> str:
    """The family's drawing, as SVG: joint, wires, current clips C, sense clips A and B, M."""
    return (DATA / "families" / family.drawing).read_text(encoding="utf-8")


@cache
def shipped_causes() -> tuple[Cause, ...]:
    """The shipped rules for hints, read once."""
    return read_toml(DATA / "causes.toml", CauseFile).causes


@cache
def shipped_book() -> ConnectorBook:
    """The shipped connectors with their families, read once."""
    return load_connectors()
