"""One station at a time on one ledger, and nobody puts another file in its place meanwhile."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from station.errors import LedgerInUse, LedgerReadOnly

SUFFIX = ".in-use"
"""The note beside a ledger on which its user holds a lock; it says who that is."""


@contextmanager
def ledger_in_use(path: Path, by: str = "a station") -> Iterator[None]:
    """Hold the ledger for this program while the block runs.

    The lock is the kernel's: it ends with the program, however that ends. It is on a file of its
    own, because SQLite would lose its locks if the ledger itself were opened and closed here.

    Parameters
    ----------
    path : Path
        The ledger's file; it need not exist yet, its folder must.
    by : str
        Who uses it, for whoever else comes.

    Raises
    ------
    LedgerInUse
        Another program has it.
    LedgerReadOnly
        The note cannot be written.
    """
    note = path.with_name(path.name + SUFFIX)
    try:
        handle = os.open(note, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise LedgerReadOnly(
            f"The ledger {path} cannot be taken into use ({error.strerror}: {note.name}): check "
            "that its folder can be written and that the card or disk is not write-protected."
        ) from error
    try:
        _lock(handle, path)
        try:
            os.ftruncate(handle, 0)
            os.pwrite(handle, f"{by}, process {os.getpid()}\n".encode(), 0)
        except OSError:
            # A full disk: the lock holds all the same, only the name is missing.
            pass
        yield
    finally:
        os.close(handle)


def _lock(handle: int, path: Path) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        user = os.pread(handle, 200, 0).decode(errors="replace").strip() or "another program"
        raise LedgerInUse(
            f"The ledger {path} is in use by {user}: stop that first, or name another ledger."
        ) from error
