"""Files of people: read up to a size, written whole or not at all whatever becomes of the disk."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.resources.abc import Traversable
from pathlib import Path

from station.errors import BadInput

MOST_BYTES = 4_000_000
"""No settings or data file is larger; a device named by mistake never ends."""


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


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a name beside a file to write to; the file gets it when the block ends without an error.

    What stood there before stays until then. A device or pipe is written as it comes.

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
        half = path.with_name(path.name + ".part")
        try:
            yield half
            half.replace(path)
        except BaseException:
            with suppress(OSError):
                half.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise BadInput(
            f"{named} could not be written: {error.strerror}. Nothing is left of it; check the "
            "folder and that there is room."
        ) from error


def write_whole(path: Path, text: str) -> None:
    """Write a text file in UTF-8, whole or not at all (BadInput where that cannot be)."""
    with whole_file(path) as half:
        half.write_text(text, encoding="utf-8")
