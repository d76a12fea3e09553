"""Files that people write and the station reads whole, and files that it writes whole.

A data file is TOML, holds one thing, and is validated on load; what is wrong with it is said in
plain words, with its place.
"""

import difflib
import errno
import os
import secrets
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, RootModel, ValidationError

from station.errors import BadInput, DataFileError, StationError

Model = TypeVar("Model", bound=BaseModel)

DATA = resources.files("station") / "data"
INVENTED_STANDARDS = resources.files("calibration") / "examples"

MOST_BYTES = 4_000_000
"""No settings or data file is larger; a device named by mistake never ends."""

SHOWN = 60
"""So many characters of a wrong value are repeated (our own choice)."""

KEY = "[key]"
"""As pydantic's last step to a place: the key itself is wrong, not what it holds."""


def read_bytes(file: Traversable | Path, most_bytes: int) -> bytes:
    """Read a file whole (OSError where it cannot be read or is larger than that)."""
    with file.open("rb") as opened:
        content = opened.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), str(file))
    return content


def read_text(file: Traversable | Path) -> str:
    """Read a settings or data file in UTF-8 (OSError, UnicodeDecodeError)."""
    return read_bytes(file, MOST_BYTES).decode("utf-8")


def read_toml(file: Traversable | Path, model: type[Model], *, called: str | None = None) -> Model:
    """Read one data file, which messages name as it is called: usually by its file name.

    Raises
    ------
    DataFileError
        The file is missing, is no TOML, or does not fit the model; the message names the place.
    """
    try:
        return model.model_validate(tomllib.loads(read_text(file)))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(f"{called or file.name} could not be read: {unread(error)}.") from error
    except ValidationError as error:
        # Where a file is one of several kinds, its faults are placed under the kind.
        fault = first_fault(error, model, skip=1 if issubclass(model, RootModel) else 0)
        raise DataFileError(f"{called or file.name}: {fault}.") from error


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


@cache
def wanted_words() -> dict[str, str]:
    """What is wanted instead of a wrong value, by pydantic's name of the fault."""
    return tomllib.loads(read_text(DATA / "wanted.toml"))


def unread(error: OSError | ValueError) -> str:
    """Say why a TOML file could not be read, as the part of a sentence."""
    if isinstance(error, OSError):
        return error.strerror or str(error)
    if isinstance(error, UnicodeDecodeError):
        return f"it is not text in UTF-8 from byte {error.start} on"
    return str(error).removesuffix(".")


def first_fault(
    error: ValidationError,
    model: type[BaseModel] | None = None,
    *,
    skip: int = 0,
) -> str:
    """Say the first thing that is wrong, as the part of a sentence without its full stop.

    Parameters
    ----------
    error
        What the model found.
    model
        The model, to suggest the nearest of its keys for one that it does not know.
    skip
        So many steps of the place are left out, where they are not in the file.
    """
    fault: Any = error.errors(include_url=False)[0]
    steps = fault["loc"][skip:]
    place = place_of(steps) or "it"
    if fault["type"] == "extra_forbidden":
        return f"{place} is no key that belongs there{_nearest(str(steps[-1]), model)}"
    if fault["type"] == "missing":
        return f"{place} is missing"
    if fault["type"].startswith("union_tag"):
        key = fault["ctx"]["discriminator"].strip("'")
        place = place_of((*steps, key))
        if key not in fault["input"]:
            return f"{place} is missing"
        tags = fault["ctx"]["expected_tags"]
        return f"{place} is {shown(fault['input'][key])}, and has to be one of {tags}"
    if fault["type"] in ("value_error", "assertion_error"):
        said = str(fault["ctx"]["error"]).removesuffix(".")
        return f"{place}: {said}" if steps else said
    wanted = wanted_words().get(fault["type"])
    if wanted is None:
        return f"{place} is {shown(fault['input'])}, which does not fit: {fault['msg']}"
    found = shown(fault["input"])
    if steps and steps[-1] == KEY:
        place = f"a key of {place_of(steps[:-2])}"
    return f"{place} is {found}, and has to be {wanted.format(**fault.get('ctx', {}))}"


def place_of(steps: tuple[int | str, ...]) -> str:
    """Return the keys that lead to a place; an item of a list is counted from 1."""
    place = ""
    for step in steps:
        if isinstance(step, int):
            place += f" number {step + 1}"
        else:
            place += f".{step}" if place else step
    return place.strip()


def shown(value: object) -> str:
    """Return a wrong value as its writer knows it, the long ones cut off."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    text = f"{value!r}" if isinstance(value, str) else f"{value}"
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}..."


def _nearest(key: str, model: type[BaseModel] | None) -> str:
    if model is None:
        return ""
    near = difflib.get_close_matches(key, set(_keys(model.model_json_schema())), n=1)
    return f" (the nearest is {near[0]})" if near else ""


def _keys(schema: object) -> Iterator[str]:
    """Every key that a model and the models in it know, from its schema."""
    if isinstance(schema, Mapping):
        yield from schema.get("properties", {})
        for part in schema.values():
            yield from _keys(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from _keys(part)


@contextmanager
def replaced(path: Path, mode: int = 0o666) -> Iterator[Path]:
    """Give a new file beside a path, which takes its place, safe on the disk, when the block ends.

    Parameters
    ----------
    path : Path
        What stands there stays until then, and for good where the block ends with an error.
    mode : int
        Who may read and write the new file, less what the process forbids.

    Raises
    ------
    OSError
        It could not be made or written; nothing is left of it.
    """
    half = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        os.close(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode))
        yield half
        _sync(half)
        half.replace(path)
        _sync(path.parent)
    finally:
        # SQLite puts files of its own beside the one that it writes.
        for suffix in ("", "-journal", "-wal", "-shm"):
            with suppress(OSError):
                half.with_name(half.name + suffix).unlink()


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def whole_file(path: Path, mode: int = 0o666) -> Iterator[Path]:
    """Give a name beside a file to write to; see `replaced`. A device is written as it comes.

    Raises
    ------
    BadInput
        It could not be written; nothing is left of it.
    """
    named = path
    try:
        path = path.resolve()  # a link stays one
        if path.exists() and not path.is_file():
            yield path
            return
        with replaced(path, mode) as half:
            yield half
    except StationError:
        raise
    except OSError as error:
        raise BadInput(
            f"{named} could not be written: {error.strerror or error}. Nothing is left of it; "
            "check the folder and that there is room."
        ) from error


def write_whole(path: Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all (BadInput where that cannot be)."""
    with whole_file(path) as half:
        half.write_text(text, encoding="utf-8")


def make_folder(folder: Path) -> None:
    """Make the folder of a ledger (BadInput where that cannot be)."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise BadInput(
            f"The folder {folder} cannot be made ({error.strerror}): name another with --ledger."
        ) from error
