"""Reading the data files: one TOML file, one thing, validated on load."""

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, RootModel, ValidationError

from station.causes import Cause, CauseFile
from station.connectors import CheckItem, Connector, ConnectorBook, Family
from station.errors import DataFileError
from station.limits import LimitSet, LimitSets
from station.plain_faults import first_fault, unread
from station.standards import StandardFile, Standards
from station.whole_files import read_text

Model = TypeVar("Model", bound=BaseModel)

DATA = resources.files("station") / "data"
INVENTED_STANDARDS = resources.files("calibration") / "records"


def read_toml(file: Traversable | Path, model: type[Model]) -> Model:
    """Read one data file.

    Raises
    ------
    DataFileError
        The file is missing, is no TOML, or does not fit the model; the message names the place.
    """
    try:
        return model.model_validate(tomllib.loads(read_text(file)))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(f"{file.name} could not be read: {unread(error)}.") from error
    except ValidationError as error:
        # Where a file is one of several kinds, its faults are placed under the kind.
        fault = first_fault(error, model, skip=1 if issubclass(model, RootModel) else 0)
        raise DataFileError(f"{file.name}: {fault}.") from error


def toml_files(folder: Traversable | Path) -> list[Traversable | Path]:
    """The TOML files of a folder, by name (DataFileError where the folder cannot be read)."""
    try:
        files = [file for file in folder.iterdir() if file.name.endswith(".toml")]
    except OSError as error:
        raise DataFileError(
            f"The folder {folder} cannot be read ({error.strerror}): make it, or name another in "
            "the settings."
        ) from error
    return sorted(files, key=lambda file: file.name)


def read_all(folders: Iterable[Traversable | Path], model: type[Model]) -> list[Model]:
    """Read every data file of some folders; a file is named after the ``id`` it holds.

    Raises
    ------
    DataFileError
        A file cannot be read, bears another name than its ``id``, or an ``id`` comes twice.
    """
    found: dict[str, Model] = {}
    for folder in folders:
        for file in toml_files(folder):
            item = read_toml(file, model)
            identifier = getattr(item, "id", None)
            if f"{identifier}.toml" != file.name:
                raise DataFileError(f"{file.name} holds the id {identifier!r}: rename one of them.")
            if identifier in found:
                raise DataFileError(f"{identifier} comes twice: give your own file its own id.")
            found[str(identifier)] = item
    return list(found.values())


def load_limit_sets(extra: Path | None = None) -> LimitSets:
    """The shipped limit sets, and a shop's own from the folder ``extra``."""
    folders: list[Traversable | Path] = [DATA / "limit_sets"]
    return LimitSets(read_all([*folders, *([extra] if extra else [])], LimitSet))


@cache
def shipped_limit_sets() -> LimitSets:
    """The shipped limit sets, read once."""
    return load_limit_sets()


class _FamilyFile(BaseModel):
    """The file that holds all families and what to look at."""

    model_config = ConfigDict(frozen=True, extra="forbid")

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
        for name in family.checklist:
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


def load_standards(folder: Path | None, *, invented: bool = False) -> Standards:
    """A shop's reference standards; the shipped invented ones where there are none of its own.

    Parameters
    ----------
    folder
        Where the shop keeps them; None where it has none.
    invented
        Whether invented ones may stand in: for the demo only.

    Raises
    ------
    DataFileError
        The folder is missing, or a file cannot be read.
    """
    if folder is None:
        folders: list[Traversable | Path] = [INVENTED_STANDARDS] if invented else []
    elif not folder.is_dir():
        raise DataFileError(
            f"There is no folder {folder}: make it, or change the setting standards_folder."
        )
    else:
        folders = [folder]
    return Standards(file.root for file in read_all(folders, StandardFile))


@cache
def shipped_causes() -> tuple[Cause, ...]:
    """The shipped rules for hints, read once."""
    return read_toml(DATA / "causes.toml", CauseFile).causes


@cache
def shipped_book() -> ConnectorBook:
    """The shipped connectors with their families, read once."""
    return load_connectors()


def shipped_connectors() -> dict[str, Connector]:
    """The shipped connectors by identifier."""
    return dict(shipped_book().connectors)
