"""Connections to the shared record, and what PostgreSQL's failures mean to a bench."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, NullPool, create_engine, exc, make_url, text

from station.errors import BadInput, SharedAway, SharedRefused, StationError
from station.ledger.chain import FIRST_PREV_HASH, Head
from station.settings import ShareSettings

PATIENCE_S = 10
"""For a connection; a network that is cut is noticed after a few of these (our own choice)."""

_PATIENT: dict[str, str | int] = {
    "application_name": "station share",
    "connect_timeout": PATIENCE_S,
    "keepalives_idle": PATIENCE_S,
    "keepalives_interval": PATIENCE_S,
    "keepalives_count": 2,
    "tcp_user_timeout": 3000 * PATIENCE_S,
    # The server, too, gives up a bench that vanished in mid-batch, and lets the next one in.
    "options": "-c tcp_keepalives_idle=10 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=2",
}

_AWAY = ("08", "28", "53", "57", "3D")
"""Classes of SQLSTATE: connection, sign-in, no resources, shut down, no such database."""

_NOT_PREPARED = ("3F000", "42P01", "42883")

_LAST = text("SELECT seq, hash FROM shared.entry WHERE bench = :bench ORDER BY seq DESC LIMIT 1")


def shared_record(where: ShareSettings) -> Engine:
    """Return an engine to the shared record, which connects anew each time that it is used.

    Raises
    ------
    BadInput
        The extra is not installed, the address has a fault or holds a password, or others can read
        the passfile.
    """
    try:
        url = make_url(where.database)
    except exc.ArgumentError:
        raise BadInput(
            "The address of the shared record cannot be read: give it as "
            "postgresql://ROLE@HOST/DATABASE."
        ) from None
    if url.drivername not in ("postgresql", "postgres"):
        raise BadInput(f"The shared record is a PostgreSQL, not {url.drivername[:40]!r}.")
    if url.password is not None or "password" in url.query:
        raise BadInput(
            "The address of the shared record holds a password: take it out, and put it into a "
            "passfile of mode 0600 that the setting share.passfile names."
        )
    own = {} if where.passfile is None else {"passfile": _only_ours(where.passfile)}
    try:
        return create_engine(
            url.set(drivername="postgresql+psycopg"),
            connect_args=_PATIENT | own,
            poolclass=NullPool,
            hide_parameters=True,
        )
    except ImportError:
        raise BadInput(
            "The shared record needs PostgreSQL's driver: pip install 'crimp-station[share]'."
        ) from None


def _only_ours(path: Path) -> str:
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise BadInput(f"The passfile {path} cannot be read: {error.strerror}.") from error
    if mode & 0o077:
        raise BadInput(f"Others can read the passfile {path}: chmod 0600 {path}")
    return str(path)


@contextmanager
def plain_refusals() -> Iterator[None]:
    """Raise PostgreSQL's failures in the block as the station's own; others pass.

    What was to be written stands in no message.
    """
    try:
        yield
    except exc.DBAPIError as error:
        if isinstance(error.orig, sqlite3.Error):
            raise
        raise _translated(error.orig) from error


def _translated(error: BaseException | None) -> StationError:
    state = getattr(error, "sqlstate", None)
    words = " ".join(str(error).split("CONTEXT:")[0].split())
    if state is None or state.startswith(_AWAY):
        return SharedAway(
            f"The shared record cannot be reached ({words}). The bench goes on by itself; what is "
            "behind goes there once it can."
        )
    if state in _NOT_PREPARED:
        return BadInput(
            f"The database is not prepared ({words}): an administrator runs 'station share "
            "prepare' on it."
        )
    return SharedRefused(
        f"The shared record refuses this ({words}): nothing of it was written there, and all is "
        "still on the bench."
    )


def head_there(there: Connection, bench: str) -> Head:
    """Return the last entry of a bench in the shared record; number 0 where there is none."""
    last = there.execute(_LAST, {"bench": bench}).first()
    return Head(0, FIRST_PREV_HASH) if last is None else Head(last.seq, last.hash)
