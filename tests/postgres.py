"""The operating system's own PostgreSQL, started for the tests on a socket in a folder of its own.

It never touches a cluster that is there already, and listens on no network.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, NullPool, create_engine

from station.settings import ShareSettings

ADMIN = "admin"

ACCESS = f"local all {ADMIN} trust\nlocal all all scram-sha-256\n"
"""The administrator is believed; everybody else has a password."""

_numbers = count(1)


def binaries() -> Path:
    """The folder of the server's programs, of the newest version there is."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parts[4]))
    own = shutil.which("initdb")
    assert found or own, "PostgreSQL is missing: run sh tests/run once"
    return found[-1] if found else Path(str(own)).parent


class Postgres:
    """One server. The data outlives its process."""

    def __init__(self, folder: Path, durable: bool) -> None:
        self.folder = folder
        self._fsync = "on" if durable else "off"
        self._data = folder / "data"
        # It refuses to run as root.
        self._as: dict[str, Any] = {}
        if os.getuid() == 0:
            shutil.chown(folder, "postgres", "postgres")
            self._as = {"user": "postgres", "group": "postgres", "extra_groups": []}
        self._run("initdb", "-D", self._data, "-A", "trust", "-U", ADMIN, "-E", "UTF8", "--no-sync",
                  "--locale=C")  # fmt: skip
        (self._data / "pg_hba.conf").write_text(ACCESS)

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = (
            f"-k {self.folder} -c listen_addresses= -c fsync={self._fsync} -c max_wal_size=4GB"
        )
        self._run("pg_ctl", "start", "-w", "-D", self._data, "-l", self.folder / "log",
                  "-o", options)  # fmt: skip

    def stop(self) -> None:
        """End it at once without a word or a checkpoint: at its next start it has to recover."""
        self._run("pg_ctl", "stop", "-w", "-D", self._data, "-m", "immediate")

    @property
    def log(self) -> str:
        """What it wrote into its log."""
        return (self.folder / "log").read_text()

    def database(self) -> str:
        """Make an empty database and return its name."""
        name = f"shared_{next(_numbers)}"
        with engine_to(self.url(ADMIN, "postgres")).connect() as connection:
            connection.execution_options(isolation_level="AUTOCOMMIT").exec_driver_sql(
                f"CREATE DATABASE {name}"
            )
        return name

    def url(self, role: str, database: str, folder: Path | None = None) -> str:
        """The address of a database, through the server's socket or that in another folder."""
        return f"postgresql://{role}@/{database}?host={folder or self.folder}"

    def where(self, database: str) -> ShareSettings:
        """The shared record in a database, as its administrator has it."""
        return ShareSettings(database=self.url(ADMIN, database))

    def _run(self, program: str, *arguments: object) -> None:
        done = subprocess.run(
            [binaries() / program, *map(str, arguments)],
            cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, timeout=120.0, check=False, **self._as,
        )  # fmt: skip
        assert done.returncode == 0, (program, done.returncode)


def engine_to(url: str, passfile: Path | None = None) -> Engine:
    """Connect without the station, as psql would."""
    options = {} if passfile is None else {"passfile": str(passfile)}
    address = url.replace("postgresql://", "postgresql+psycopg://")
    return create_engine(address, connect_args=options, poolclass=NullPool)


@contextmanager
def running(*, durable: bool = False) -> Iterator[Postgres]:
    """A server in a folder that an unprivileged user can enter, with a short enough path.

    One that is not durable does not wait for the disk: a killed process loses nothing by that.
    """
    with tempfile.TemporaryDirectory(prefix="pg-", ignore_cleanup_errors=True) as folder:
        server = Postgres(Path(folder), durable)
        server.start()
        try:
            yield server
        finally:
            server.stop()
