"""The shared record made ready by its administrator: tables, roles, policies; benches, readers."""

import secrets
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, text

from station.errors import BadInput
from station.files import make_folder, read_text, whole_file
from station.settings import ShareSettings
from station.share.database import plain_refusals, shared_record

SQL = Path(__file__).with_name("shared.sql")

LONGEST_ROLE_BYTES = 63
"""PostgreSQL cuts longer names off."""

_ADD_BENCH = text("SELECT shared.add_bench(:bench, :role)")
_ADD_READER = text("SELECT shared.add_reader(:role)")
_QUOTED = text(
    "SELECT format('ALTER ROLE %I PASSWORD %L', CAST(:role AS text), CAST(:secret AS text))"
)


def role_of(bench: str) -> str:
    """Return the role by which a bench signs in (BadInput where its name is too long)."""
    role = f"bench_{bench}"
    if len(role.encode()) > LONGEST_ROLE_BYTES:
        raise BadInput(f"The name {bench!r} is too long for a role of PostgreSQL: shorten it.")
    return role


def prepare(
    where: ShareSettings, benches: Iterable[str], readers: Iterable[str], passfiles: Path | None
) -> list[dict[str, str | None]]:
    """Make or renew the tables, roles and policies, and add benches and readers.

    Returns the ``name``, ``role`` and ``passfile``, if one was made, of each that was added.

    Parameters
    ----------
    where
        The database, which must exist, by a role that may make roles.
    benches, readers
        Names of benches as in their settings, and roles of people.
    passfiles
        A folder for a passfile of each, with a new password: an older one is good no more.

    Raises
    ------
    BadInput, SharedAway, SharedRefused
        A name cannot be, or the database cannot be reached or does not allow it.
    """
    added = [(_ADD_BENCH, {"bench": name, "role": role_of(name)}) for name in benches]
    added += [(_ADD_READER, {"bench": name, "role": name}) for name in readers]
    engine, found = shared_record(where), list[dict[str, str | None]]()
    with plain_refusals():
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as there:
            _run(there, read_text(SQL))
        with engine.begin() as there:
            for add, one in added:
                there.execute(add, {name: one[name] for name in add.compile().params})
                made = _new_password(there, one["role"], passfiles) if passfiles else None
                found.append({"name": one["bench"], "role": one["role"], "passfile": made})
    return found


def _new_password(there: Connection, role: str, folder: Path) -> str:
    """Make a passfile. Only what a password is checked by is sent, so no log of theirs has it."""
    make_folder(folder)
    password, path = secrets.token_urlsafe(24), folder / f"{quote(role, safe='')}.pgpass"
    driver: Any = there.connection.driver_connection
    secret = driver.pgconn.encrypt_password(password.encode(), role.encode(), b"scram-sha-256")
    _run(there, there.execute(_QUOTED, {"role": role, "secret": secret.decode()}).scalar_one())
    with whole_file(path, 0o600) as half:
        escaped = role.replace("\\", "\\\\").replace(":", "\\:")
        half.write_text(f"*:*:*:{escaped}:{password}\n", encoding="utf-8")
    return str(path)


def _run(there: Connection, statements: str) -> None:
    there.execution_options(no_parameters=True).exec_driver_sql(statements)
