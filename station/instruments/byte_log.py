"""A file with every byte that passes a port, for finding out what an instrument really says."""

import threading
import time
from pathlib import Path
from typing import Self

from station.errors import BadInput
from station.instruments.port import Direction

_ARROWS: dict[Direction, str] = {"in": "<", "out": ">"}


class ByteLog:
    """Writes one line per chunk: seconds since the start, ``<`` or ``>``, and the bytes.

    Bytes that are not printable ASCII stand as ``\\xhh`` and the like. Give it to a port as
    ``on_bytes``.

    Parameters
    ----------
    path
        File to append to.

    Raises
    ------
    BadInput
        The file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file = path.open("a", encoding="ascii")
        except OSError as error:
            raise BadInput(
                f"The trace file {path} cannot be written ({error.strerror}); name another."
            ) from error
        self._begun_s = time.monotonic()
        self._writing = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __call__(self, direction: Direction, data: bytes) -> None:
        """Note bytes that passed."""
        shown = data.decode("latin-1").encode("unicode_escape").decode("ascii")
        with self._writing:
            if not self._file.closed:
                age_s = time.monotonic() - self._begun_s
                self._file.write(f"{age_s:.6f} {_ARROWS[direction]} {shown}\n")
                self._file.flush()

    def close(self) -> None:
        """Close the file; what still passes is not noted."""
        with self._writing:
            self._file.close()
