"""Connections to the ledger's file, and what SQLite's failures mean to the bench."""

import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

from sqlalchemy import (
    ClauseElement,
    Column,
    Connection,
    CursorResult,
    Engine,
    Executable,
    NullPool,
    QueuePool,
    Row,
    Select,
    create_engine,
    event,
    exc,
    select,
    tuple_,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.sql.compiler import SQLCompiler

from calibration.saying import say
from station.errors import (
    BadInput,
    LedgerBusy,
    LedgerDamaged,
    LedgerError,
    LedgerFull,
    LedgerGone,
    LedgerReadOnly,
)
from station.ledger.tables import APPLICATION_ID

BUSY_TIMEOUT_S = 5.0
"""How long a connection waits for another program's lock unless told otherwise."""

ROWS_AT_A_TIME = 1000
"""So many are read into memory where there may be any number."""

_LOCK_RETRY_S = 0.005

PRAGMAS = ("PRAGMA synchronous = FULL", "PRAGMA foreign_keys = ON")
"""Settings that SQLite keeps per connection, not per file, so that each must be given them."""

Mode = Literal["rw", "ro"]

_BUSY = LedgerBusy, say("is locked by another program; close that program or wait, then try again")
_READ_ONLY = (
    LedgerReadOnly,
    say(
        "cannot be written; check the permissions of the file and its folder and that the card or "
        "disk is not write-protected"
    ),
)
_UNOPENED = (
    LedgerReadOnly,
    say(
        "cannot be opened; check that its folder can be written and that the card or disk is not "
        "write-protected"
    ),
)
_FULL = (
    LedgerFull,
    say("has no room left on its disk; nothing was written: free space and try again"),
)
_DAMAGED = (
    LedgerDamaged,
    say("is not a sound ledger file; check the path, keep the file as it is and restore a backup"),
)
_FAILED = LedgerError, say("could not be read or written; check the card or disk, then try again")

_MEANINGS: dict[int, tuple[type[LedgerError], str]] = {
    sqlite3.SQLITE_BUSY: _BUSY,
    sqlite3.SQLITE_LOCKED: _BUSY,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: _UNOPENED,
    sqlite3.SQLITE_PERM: _READ_ONLY,
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    # No statement of ours is wrong for a ledger that has its tables.
    sqlite3.SQLITE_ERROR: _DAMAGED,
}


def writing_engine(path: Path, *, busy_timeout_s: float) -> Engine:
    """Return an engine whose transactions take SQLite's one write lock when they begin."""
    return _engine(lambda: connect(path, "rw", busy_timeout_s), NullPool, "BEGIN IMMEDIATE")


def reading_engine(
    path: Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S, forgive_text: bool = False
) -> Engine:
    """Return an engine that cannot write and may be used by several threads at once.

    With ``forgive_text``, bytes that are not UTF-8 are read as U+FFFD instead of failing.
    """

    def open_one() -> sqlite3.Connection:
        connection = connect(path, "ro", busy_timeout_s)
        if forgive_text:
            connection.text_factory = lambda raw: raw.decode(errors="replace")
        return connection

    return _engine(open_one, QueuePool, "BEGIN")


def connect(path: Path, mode: Mode, busy_timeout_s: float) -> sqlite3.Connection:
    """Open one connection to the file, with the settings that every connection must have."""
    connection = sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode={mode}",
        uri=True,
        timeout=busy_timeout_s,
        # SQLAlchemy decides where transactions begin, and its pool which thread has a connection.
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        for pragma in PRAGMAS:
            connection.execute(pragma)
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def check_path(path: Path, *, create: bool) -> None:
    """Refuse a path at which there can be no ledger.

    Raises
    ------
    BadInput
        The file is missing and not to be created, its folder is missing, or it is a folder.
    """
    if path.is_dir():
        raise BadInput(f"{path} is a folder: give the path of the ledger file in it.")
    if not path.parent.is_dir():
        raise BadInput(
            f"The folder {path.parent} for the ledger does not exist: create it, or plug in the "
            "disk that holds it."
        )
    if not create and not path.exists():
        raise BadInput(
            "There is no ledger at {path}: check the path, or start a new one.", path=path
        )


FileIdentity = tuple[int, int]
"""Device and inode of a file: what it is, whatever it is called."""


def file_identity(path: Path) -> FileIdentity | None:
    """Return which file stands at a path; None where there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise LedgerReadOnly(
            "The ledger {path} cannot be reached ({strerror}): check its folder and disk.",
            path=path,
            strerror=error.strerror,
        ) from error
    return found.st_dev, found.st_ino


def check_still_there(path: Path, opened: FileIdentity | None) -> None:
    """Refuse to write where the file that was opened does not stand at its path any more.

    Raises
    ------
    LedgerGone
        It was moved or removed, or another file stands there.
    """
    if file_identity(path) != opened:
        raise LedgerGone(
            "The ledger {path} was moved, removed or replaced while the station had it "
            "open; nothing was written: put it back, or stop the station and restore a "
            "backup.",
            path=path,
        )


def prepare_file(path: Path, *, create: bool, busy_timeout_s: float) -> None:
    """Make sure that the file is a ledger or, if one may be created, still empty; switch to WAL.

    Nobody but its owner may read it, nor what SQLite puts beside it, which gets the same mode.

    Raises
    ------
    LedgerDamaged
        The file is something else. It is left as it was.
    """
    with suppress(OSError):
        # Where this fails, opening it says why.
        if create and not path.exists():
            path.touch(0o600)
        path.chmod(path.stat().st_mode & 0o700)
    with closing(connect(path, "rw", busy_timeout_s)) as connection:
        if not (create and _is_blank(connection)):
            _check_is_ledger(path, connection)
        _switch_to_wal(connection, busy_timeout_s)


def _switch_to_wal(connection: sqlite3.Connection, busy_timeout_s: float) -> None:
    """Switch to WAL, waiting for others who do the same.

    SQLite does not wait by itself here: two that upgrade their locks at once could wait for ever.
    """
    give_up_at_s = time.monotonic() + busy_timeout_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if failure_of(error) != sqlite3.SQLITE_BUSY or time.monotonic() >= give_up_at_s:
                raise
        time.sleep(_LOCK_RETRY_S)


def check_is_ledger(path: Path, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
    """Refuse a file that is not a ledger of this station.

    Raises
    ------
    LedgerDamaged
        The file is something else.
    """
    with closing(connect(path, "ro", busy_timeout_s)) as connection:
        _check_is_ledger(path, connection)


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Raise SQLite's failures in the block as the station's own errors, which name the file."""
    try:
        yield
    except exc.DBAPIError as error:
        raise _translated(path, error.orig) from error
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise _translated(path, error) from error


def failure_of(error: BaseException | None) -> int:
    """Return SQLite's number of a failure, without what its extended codes add: where it was."""
    return int(getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)) & 0xFF


def _translated(path: Path, error: BaseException | None) -> LedgerError:
    kind, meaning = _MEANINGS.get(failure_of(error), _FAILED)
    return kind(
        say("The ledger {path} {meaning} ({error}).", path=path, meaning=meaning, error=error)
    )


def is_damage(error: exc.DBAPIError) -> bool:
    """Whether a failure says that the file itself is damaged or cannot be read off its disk."""
    damage = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_IOERR)
    return failure_of(error.orig) in damage


def what_is_damaged(connection: Connection) -> str:
    """Return SQLite's own words on the first damaged page of a file."""
    try:
        found = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
    except exc.DBAPIError as error:
        return str(error.orig)
    return " ".join(str(found).split())


def run(
    connection: Connection, statement: Executable, values: Mapping[str, Any] | list[dict[str, Any]]
) -> CursorResult[Any]:
    """Execute a statement that is made once and run for every entry.

    SQLAlchemy works out anew at each run what it has compiled already, which takes four times as
    long as this. What it would do to values on their way, such as to make a number of a truth,
    SQLite's driver does as well.
    """
    first = values if isinstance(values, Mapping) else values[0]
    sql, names, fixed = _compiled(statement, tuple(first))
    rows = [values] if isinstance(values, Mapping) else values
    ordered = [tuple(row[name] if name in row else fixed[name] for name in names) for row in rows]
    return connection.exec_driver_sql(sql, ordered if rows is values else ordered[0])


@cache
def _compiled(
    statement: ClauseElement, keys: tuple[str, ...]
) -> tuple[str, Sequence[str], Mapping[str, Any]]:
    compiled = statement.compile(dialect=sqlite.dialect(), column_keys=list(keys))
    assert isinstance(compiled, SQLCompiler)  # noqa: S101
    return str(compiled), compiled.positiontup or (), compiled.params


def stream(connection: Connection, statement: Select[Any]) -> Iterator[Row[Any]]:
    """Yield what a query finds, so that any number of rows needs little memory."""
    yield from connection.execution_options(yield_per=ROWS_AT_A_TIME).execute(statement)


def hops(connection: Connection, *columns: Column[Any]) -> Iterator[tuple[Any, ...]]:
    """Yield the distinct values of an index's first columns, hopping from one to the next.

    SQLite's own DISTINCT would walk through the whole index.
    """
    following = select(*columns).order_by(*columns).limit(1)
    row = connection.execute(following).first()
    while row is not None:
        yield tuple(row)
        row = connection.execute(following.where(tuple_(*columns) > tuple_(*row))).first()


def _is_blank(connection: sqlite3.Connection) -> bool:
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return tables == 0 and _application_id(connection) == 0


def _application_id(connection: sqlite3.Connection) -> int:
    (found,) = connection.execute("PRAGMA application_id").fetchone()
    return int(found)


def _check_is_ledger(path: Path, connection: sqlite3.Connection) -> None:
    if _application_id(connection) != APPLICATION_ID:
        raise LedgerDamaged(
            f"{path} is not a ledger of this station: check the path. It was left as it is."
        )


def _engine(
    creator: Callable[[], sqlite3.Connection], pool: type[NullPool] | type[QueuePool], begin: str
) -> Engine:
    engine = create_engine("sqlite://", creator=creator, poolclass=pool)

    def begin_transaction(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    event.listen(engine, "begin", begin_transaction)
    return engine
