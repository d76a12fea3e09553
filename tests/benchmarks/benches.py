"""Many benches in one shared record: what copying costs beside a bare COPY, and looking after.

Invented benches of equal histories, each signed in by its own role, send their entries by the
product's own way, each batch a transaction: number, previous hash and hash of every entry are
checked by the database. In turn with each batch, its rows go by COPY into a table without keys,
triggers or policies. Then what is asked of a shared record (how far all benches are, how far one
is, its last hundred entries) is timed in turn over this record and over a smaller one of as many
benches. Traces, the same few for every bench, are sent before and are no part of the rate. The
server writes to the disk at every commit.

The pages of a bench are timed in turn by themselves and while it shares, at 30 times the pace of
the shipped one (means), and once while it catches up with its whole history (no bound).

Stated bounds: a question takes at most 2 times as long over the whole as over the small record; a
page takes at most 1.1 times as long while its bench shares.

``--benches N`` and ``--entries N`` set the size.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from itertools import islice
from pathlib import Path
from statistics import mean, median
from typing import Any

from flask.testing import FlaskClient
from sqlalchemy import text

from station.ledger.chain import FIRST_PREV_HASH, entry_hash
from station.ledger.store import Ledger
from station.ledger.trace_rows import TraceRows
from station.ledger.verify import snapshot
from station.settings import Settings, ShareSettings
from station.share.beside import EVERY_S, Sharing
from station.share.prepare import prepare, role_of
from station.share.push import BATCH, push, send
from tests.benchmarks.invented_ledger import InventedLedger, simulated_bench
from tests.benchmarks.report import Figures, run
from tests.postgres import ADMIN, Postgres, engine_to, running
from tests.station.share.conftest import contents, sharing_ended
from tests.trends import worked_out
from web import create_app

BENCHES = 200
ENTRIES = 10_000_000
SMALL = 100_000
TEMPLATE_SAMPLES = 1200
TURNS = 31
BLOCKS = 5
CATCHING_UP = 10
AT_MOST_LONGER = 2.0
AT_MOST_SLOWER_PAGE = 1.1
OFTEN = 30.0

Row = dict[str, Any]


def measure(benches: int, entries: int) -> Figures:
    small = min(SMALL, entries // 4)
    with running(durable=True) as server, tempfile.TemporaryDirectory() as folder:
        template = invented(Path(folder) / "template.ledger")
        few = Record(server, Path(folder), template, benches)
        few.fill(small)
        many = Record(server, Path(folder), template, benches)
        figures = many.fill(entries)
        for connection in (few.admin, many.admin):
            connection.exec_driver_sql("VACUUM ANALYZE shared.entry")
        grown = {}
        for name, (over_few, over_many) in questions(few, many).items():
            figures |= {f"{name}_ms_small": over_few, f"{name}_ms": over_many}
            grown[f"{name}_over_small"] = over_many / over_few
        few.admin.close()
        many.admin.close()
        slower = pages_beside(server, template)
    figures |= {"small_entries": small, **grown, **slower}
    holds = max(grown.values()) <= AT_MOST_LONGER
    holds &= slower["page_sharing_over_alone"] <= AT_MOST_SLOWER_PAGE
    return Figures("benches", figures, holds)


def invented(path: Path) -> Path:
    say("inventing a bench")
    with Ledger.open(path) as ledger:
        InventedLedger(ledger).grow(TEMPLATE_SAMPLES)
    return path


class Record:
    """A shared record of invented benches, filled by their own roles."""

    def __init__(self, server: Postgres, folder: Path, template: Path, benches: int) -> None:
        self._server, self._database = server, server.database()
        self.template = template
        self.benches = [f"bench-{n + 1:03d}" for n in range(benches)]
        keys = folder / self._database
        prepare(server.where(self._database), self.benches, (), keys)
        self._keys = keys
        admin = engine_to(server.url(ADMIN, self._database)).connect()
        self.admin = admin.execution_options(isolation_level="AUTOCOMMIT")
        with snapshot(template, forgive_text=False) as here:
            rows = here.execute(TraceRows.of(here).all()).fetchall()
        self._traces = {row.sha256: bytes(row.data) for row in rows[: BATCH // 2]}
        self._rows = contents(template)

    def where(self, bench: str) -> ShareSettings:
        passfile = self._keys / f"{role_of(bench)}.pgpass"
        url = self._server.url(role_of(bench), self._database)
        return ShareSettings(database=url, passfile=passfile)

    def fill(self, entries: int) -> dict[str, float]:
        """Send so many entries in all; return what that took."""
        self.admin.exec_driver_sql(
            "CREATE TABLE bare AS SELECT * FROM shared.entry WITH NO DATA; "
            "ALTER TABLE bare DROP received"
        )
        each, sent_s, bare_s = entries // len(self.benches), 0.0, 0.0
        for number, bench in enumerate(self.benches):
            with engine_to(self.where(bench).database, self.where(bench).passfile).connect() as own:
                send(own, bench, [], self._traces)
                own.commit()
                rows = self.history(bench, each)
                while batch := list(islice(rows, BATCH)):
                    begun_s = time.perf_counter()
                    send(own, bench, batch, {})
                    own.commit()
                    sent_s += time.perf_counter() - begun_s
                    bare_s += self._copied(batch)
            if number % 20 == 0:
                say(f"{self._database}: {number} of {len(self.benches)} benches")
            self.admin.exec_driver_sql("TRUNCATE bare")
        total = each * len(self.benches)
        size = self.admin.scalar(text("SELECT pg_total_relation_size('shared.entry')"))
        traces = self.admin.scalar(text("SELECT pg_total_relation_size('shared.trace')"))
        return {
            "benches": len(self.benches), "entries": total,
            "append_us": sent_s / total * 1e6, "append_per_s": total / sent_s,
            "bare_copy_us": bare_s / total * 1e6, "append_over_bare_copy": sent_s / bare_s,
            "bytes_an_entry": size / total,
            "bytes_a_trace": traces / len(self._traces) / len(self.benches),
        }  # fmt: skip

    def history(self, bench: str, entries: int) -> Iterator[Row]:
        """Yield a bench's entries: the template's over and over, chained anew."""
        before, samples = FIRST_PREV_HASH, len(self._rows)
        for seq in range(1, entries + 1):
            row = self._rows[(seq - 1) % samples]
            row = row | {"bench": bench, "seq": seq, "prev_hash": before}
            row["hash"] = before = entry_hash(row)
            yield {str(name): value for name, value in row.items()}

    def _copied(self, batch: list[Row]) -> float:
        names = ", ".join(batch[0])
        begun_s = time.perf_counter()
        driver: Any = self.admin.connection.driver_connection
        with driver.cursor() as cursor, cursor.copy(f"COPY bare ({names}) FROM STDIN") as copy:
            for row in batch:
                copy.write_row(tuple(row.values()))
        return time.perf_counter() - begun_s


def questions(few: Record, many: Record) -> dict[str, tuple[float, float]]:
    """What is asked of a shared record, over the small and the large one, in ms."""
    asked: dict[str, Callable[[Record], object]] = {
        "all_benches": lambda record: record.admin.exec_driver_sql(
            "SELECT * FROM shared.benches"
        ).fetchall(),
        "one_bench": lambda record: record.admin.execute(
            text("SELECT * FROM shared.benches WHERE bench = :b"), {"b": record.benches[-1]}
        ).fetchall(),
        "recent_of_one_bench": lambda record: record.admin.execute(
            text("SELECT * FROM shared.entry WHERE bench = :b ORDER BY seq DESC LIMIT 100"),
            {"b": record.benches[0]},
        ).fetchall(),
    }
    return {name: paired(partial(ask, few), partial(ask, many)) for name, ask in asked.items()}


def paired(few: Callable[[], object], many: Callable[[], object]) -> tuple[float, float]:
    """Medians of what two actions take in turn, each done once before, in milliseconds."""
    few(), many()
    took = [(seconds(few), seconds(many)) for _ in range(TURNS)]
    over_few, over_many = (median(times) * 1e3 for times in zip(*took, strict=True))
    return over_few, over_many


def pages_beside(server: Postgres, template: Path) -> dict[str, float]:
    """A bench's pages by themselves, while it shares, and while it catches up, in turn."""
    where = server.where(server.database())
    prepare(where, ["bench-1"], (), None)
    with Ledger.open(template, create=False) as ledger, asked(ledger) as client:
        behind = server.where(server.database())
        prepare(behind, ["bench-1"], (), None)
        push(template, where)
        took: dict[str, list[float]] = {"alone": [], "sharing": [], "catching_up": []}
        for _ in range(BLOCKS):
            took["alone"] += [page(client) for _ in range(TURNS)]
            with sharing_ended(Sharing(template, where, say, every_s=EVERY_S / OFTEN)):
                took["sharing"] += [page(client) for _ in range(TURNS)]
        with sharing_ended(Sharing(template, behind, say)):
            took["catching_up"] = [page(client) for _ in range(CATCHING_UP)]
    alone, sharing, behind_s = (mean(times) for times in took.values())
    return {
        "page_alone_ms": alone * 1e3,
        "page_sharing_over_alone": sharing / alone,
        "page_while_catching_up_over_alone": behind_s / alone,
    }


@contextmanager
def asked(ledger: Ledger) -> Iterator[FlaskClient]:
    bench = simulated_bench(ledger, Settings())
    clock = ledger.reader.samples(limit=1)[0].at_utc
    client = create_app(bench, testing=True, clock=lambda: clock).test_client()
    client.get("/tools")
    assert worked_out(600.0)
    try:
        yield client
    finally:
        bench.close()


def page(client: FlaskClient) -> float:
    return seconds(lambda: [client.get(path) for path in ("/", "/tools", "/samples", "/people")])


def seconds(action: Callable[[], object]) -> float:
    begun_s = time.perf_counter()
    action()
    return time.perf_counter() - begun_s


def say(told: str) -> None:
    print(told, file=sys.stderr, flush=True)


if __name__ == "__main__":
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument("--benches", type=int, default=BENCHES)
    options.add_argument("--entries", type=int, default=ENTRIES)
    known, sys.argv[1:] = options.parse_known_args()
    run(partial(measure, known.benches, known.entries))
