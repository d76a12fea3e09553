"""A shared record of its own for each test, and ledgers of benches to go into it."""

import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, text

from station.ledger import tables
from station.ledger.chain import entry_hash
from station.ledger.store import Ledger
from station.ledger.trace_rows import TraceRows
from station.ledger.verify import snapshot, verify_ledger
from station.settings import ShareSettings
from station.share.beside import Sharing
from station.share.prepare import prepare, role_of
from station.share.push import standing
from station.share.restore import restore_bench
from tests.pace import PATIENCE_S
from tests.postgres import ADMIN, Postgres, engine_to
from tests.station.share import lines

CHAIN_FAULTS = text("""
    SELECT count(*) FROM (
        SELECT *, lag(hash) OVER chain AS before, row_number() OVER chain AS number
        FROM shared.entry WINDOW chain AS (PARTITION BY bench ORDER BY seq)
    ) AS e
    WHERE e.seq <> e.number OR e.prev_hash <> coalesce(e.before, repeat('0', 64))
""")


@dataclass
class Record:
    """A shared record on the tests' server."""

    server: Postgres
    database: str

    @property
    def passfiles(self) -> Path:
        """Of the server, since roles are, whatever the database."""
        return self.server.folder / "passfiles"

    def add(self, *benches: str, readers: tuple[str, ...] = ()) -> None:
        """Prepare the record and add these; who is new to the server gets a passfile."""
        admin = self.server.where(self.database)
        prepare(admin, benches, readers, None)
        fresh = [name for name in benches if not self.passfile(role_of(name)).exists()]
        people = [name for name in readers if not self.passfile(name).exists()]
        if fresh or people:
            prepare(admin, fresh, people, self.passfiles)

    def where(self, bench: str = "bench-1", through: Path | None = None) -> ShareSettings:
        """How a bench reaches it, through a line where one is named."""
        url = self.server.url(role_of(bench), self.database, through or self.server.folder)
        return ShareSettings(database=url, passfile=self.passfile(role_of(bench)))

    def passfile(self, role: str) -> Path:
        return self.passfiles / f"{role}.pgpass"

    def engine(self, role: str = ADMIN) -> Engine:
        """As psql would."""
        own = None if role == ADMIN else self.passfile(role)
        return engine_to(self.server.url(role, self.database), own)

    def rows(self, query: str, role: str = ADMIN, **values: Any) -> list[Any]:
        with self.engine(role).connect() as connection:
            return list(connection.execute(text(query), values))

    def demand_whole(self, ledger: Path, again: Path) -> None:
        """See that all of a ledger is there, once, and makes the same ledger again."""
        sound = verify_ledger(ledger)
        assert sound.fault is None
        with snapshot(ledger, forgive_text=False) as here:
            bench = tables.facts(here)["bench"]
            traces = {row.sha256: row.data for row in here.execute(TraceRows.of(here).all())}
        found = standing(ledger, self.where(bench))
        assert (found.behind, found.differs_at) == (0, None)
        assert self.rows(CHAIN_FAULTS.text) == [(0,)]
        kept = self.rows("SELECT sha256, data FROM shared.trace WHERE bench = :b", b=bench)
        assert {row.sha256: bytes(row.data) for row in kept} == traces
        assert len(kept) == len(traces)
        assert restore_bench(self.where(bench), bench, again) == sound
        assert contents(again) == contents(ledger)


def contents(ledger: Path) -> list[dict[str, Any]]:
    """Every entry as it is stored."""
    with snapshot(ledger, forgive_text=False) as here:
        rows = here.execute(select(tables.entry).order_by(tables.entry.c.seq))
        return [row._asdict() for row in rows]


def written_anew(
    ledger: Path, target: Path, *, bench: str | None = None, from_seq: int = 1 << 60
) -> Path:
    """A ledger whose entries from one number on are others, or of another bench: hashed anew."""
    changed, before = [], ""
    for row in contents(ledger):
        new = row | {"bench": bench or row["bench"]}
        if row["seq"] >= from_seq:
            new["boot_id"] = "another"
        if before:
            new["prev_hash"] = before
        new["hash"] = before = entry_hash(new)
        changed.append(new)
    with snapshot(ledger, forgive_text=False) as here:
        traces = [(row.sha256, row.data) for row in here.execute(TraceRows.of(here).all())]
    with Ledger.open(target, bench=changed[0]["bench"]) as made:
        made.adopt(changed, traces)
    return target


@contextmanager
def sharing_ended(sharing: Sharing) -> Iterator[None]:
    """Share in the block, and wait until it has really ended, which the station does not."""
    before = set(threading.enumerate())
    with sharing:
        (thread,) = [one for one in set(threading.enumerate()) - before if one.name == "share"]
        yield
    thread.join(PATIENCE_S)
    assert not thread.is_alive()


@pytest.fixture
def record(postgres: Postgres) -> Record:
    """A shared record with one bench, named as that of the ledgers' fixtures."""
    made = Record(postgres, postgres.database())
    made.add("bench-1")
    return made


@pytest.fixture
def line(postgres: Postgres) -> Iterator[lines.Line]:
    with (
        tempfile.TemporaryDirectory(prefix="line-") as folder,
        lines.to(postgres.folder, Path(folder)) as made,
    ):
        yield made


@pytest.fixture
def bench_ledger(filled_once: tuple[Path, int], tmp_path: Path) -> Callable[[str], Path]:
    """Makes a bench's ledger with every kind of entry."""

    def make(bench: str) -> Path:
        return written_anew(filled_once[0], tmp_path / f"{bench}.ledger", bench=bench)

    return make


@pytest.fixture
def ledger_file(bench_ledger: Callable[[str], Path]) -> Path:
    return bench_ledger("bench-1")
