"""Copies of the ledger while it is being written, and putting one back in its place."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from station.errors import BadInput, LedgerDamaged, LedgerError, LedgerFull, LedgerInUse
from station.files import whole_file
from station.ledger import database
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger
from station.ledger.verify import Progress, VerifyReport, verify_ledger

PAGES_AT_A_TIME = 256
"""Pages copied between two words of progress: 1 MiB."""

_SIDE_FILES = ("-wal", "-shm")

_HEADER = b"SQLite format 3\x00"


@dataclass(frozen=True)
class Restored:
    """What `restore_ledger` did.

    Parameters
    ----------
    report : VerifyReport
        What was found in the ledger that now stands in place.
    kept_as : Path or None
        Where the ledger that stood there before is now.
    newer_entries : int or None
        How many entries the old one had after the last of the new; None where it could not be
        read.
    """

    report: VerifyReport
    kept_as: Path | None
    newer_entries: int | None


def back_up_ledger(
    path: Path, target: Path, *, replace: bool = False, progress: Progress | None = None
) -> VerifyReport:
    """Copy a ledger to one file and verify the copy; the station may go on writing.

    The copy is of one moment. It appears under its name only once it is whole and sound. Read
    tables that are not what the entries say are built again in the copy; the report names them.

    Parameters
    ----------
    path, target : Path
        The ledger, and the file to make.
    replace : bool
        Whether an older backup of this name may be replaced.
    progress : callable, optional
        Told pages copied and in all, then entries and traces verified and in all.

    Raises
    ------
    BadInput
        There is no ledger, or the target exists and may not be replaced.
    LedgerDamaged
        The copy is not sound, so the ledger is not. No backup was made.
    LedgerFull, LedgerError
        The copy could not be written.
    """
    database.check_path(path, create=False)
    if target.exists() and not replace:
        raise BadInput(f"{target} exists already: name another file, or say --replace.")
    with moved_into_place(target) as copy:
        return _verified_copy(path, copy, progress)


def restore_ledger(
    backup: Path, path: Path, *, now: datetime, progress: Progress | None = None
) -> Restored:
    """Put a verified copy of a backup in the place of a ledger, and keep the old one aside.

    At every instant either the old or the new ledger stands at ``path``.

    Parameters
    ----------
    backup, path : Path
        The backup, and the ledger to replace or to make.
    now : datetime
        Names the old ledger's file.
    progress : callable, optional
        As for `back_up_ledger`.

    Raises
    ------
    BadInput
        There is no such backup, or it is the ledger itself.
    LedgerInUse
        A station or another program has the ledger open.
    LedgerDamaged
        The backup is not sound. Nothing was changed.
    """
    database.check_path(backup, create=False)
    database.check_path(path, create=True)
    if path.exists() and backup.samefile(path):
        raise BadInput(f"{backup} is the ledger itself: name a backup of it.")
    kept_as = newer = None
    with ledger_in_use(path, "a restore"), moved_into_place(path) as copy:
        report = _verified_copy(backup, copy, progress)
        if path.exists():
            # SQLite throws the side files of a wreck away if it is only opened.
            if _has_header(path):
                newer = _newer_entries(path, report.entries)
                _fold(path)
            kept_as = _keep_aside(path, now)
    return Restored(report, kept_as, newer)


@contextmanager
def moved_into_place(target: Path) -> Iterator[Path]:
    """Give a new file beside the target, which gets its name if the block ends without an error.

    Raises
    ------
    BadInput
        No file can be written there, or a device or folder stands there.
    """
    if target.exists() and not target.is_file():
        raise BadInput(f"{target} is a device or folder, no file: name another.")
    with whole_file(target, 0o600) as making:
        yield making


def _verified_copy(source: Path, copy: Path, progress: Progress | None) -> VerifyReport:
    with database.plain_errors(source):
        database.check_is_ledger(source)
    _copy(source, copy, progress)
    report = verify_ledger(copy, progress)
    if report.first_bad is None and report.differences:
        with Ledger.open(copy, create=False) as mended:
            mended.rebuild()
        _fold(copy)
        report = replace(verify_ledger(copy), differences=report.differences)
    if report.first_bad is not None:
        raise LedgerDamaged(
            f"{source} is not sound ({report.first_bad}): nothing was made of it. Verify your "
            "other copies and use one that is sound."
        )
    return report


def _copy(source: Path, copy: Path, progress: Progress | None) -> None:
    def tell(_status: int, remaining: int, total: int) -> None:
        if progress:
            progress(total - remaining, total)

    try:
        with (
            closing(database.connect(source, "ro", database.BUSY_TIMEOUT_S)) as reading,
            closing(database.connect(copy, "rw", database.BUSY_TIMEOUT_S)) as writing,
        ):
            # One snapshot for the whole copy, or every new entry would start it again.
            reading.execute("BEGIN")
            reading.execute("SELECT value FROM meta").fetchone()
            reading.backup(writing, pages=PAGES_AT_A_TIME, progress=tell)
            # One file that needs no others beside it and reads from a write-protected card.
            writing.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.Error as error:
        full = database.failure_of(error) == sqlite3.SQLITE_FULL
        kind = LedgerFull if full else LedgerError
        raise kind(
            f"{source} could not be copied to {copy.parent} ({error}): check that there is room "
            "and that both can be read and written. Nothing was changed."
        ) from error


def _has_header(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_HEADER)) == _HEADER


def _newer_entries(path: Path, entries: int) -> int | None:
    try:
        with closing(database.connect(path, "ro", database.BUSY_TIMEOUT_S)) as old:
            (last,) = old.execute("SELECT max(seq) FROM entry").fetchone()
    except sqlite3.Error:
        return None
    return max(0, (last or 0) - entries)


def _fold(path: Path) -> None:
    """Bring what is in the old ledger's side files into it, and see that nobody has it open.

    Side files that stayed would be taken for those of the new ledger.
    """
    try:
        with closing(database.connect(path, "rw", 0.0)) as old:
            # Needs every other program to have let go; busy otherwise.
            old.execute("PRAGMA journal_mode = DELETE").fetchone()
            old.execute("BEGIN EXCLUSIVE")
            old.execute("ROLLBACK")
    except sqlite3.Error as error:
        if database.failure_of(error) == sqlite3.SQLITE_BUSY:
            raise LedgerInUse(
                f"The ledger {path} is open in another program: close that, then restore again. "
                "Nothing was changed."
            ) from error
        # Damaged beyond reading: its side files go aside as they are, with it.


def _keep_aside(path: Path, now: datetime) -> Path:
    aside = path.with_name(f"{path.name}.replaced-{now:%Y%m%dT%H%M%S%f}")
    for suffix in _SIDE_FILES:
        beside = path.with_name(path.name + suffix)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + suffix))
    try:
        aside.hardlink_to(path)
    except OSError:
        # The card's file system has no second names for a file.
        path.rename(aside)
    return aside
