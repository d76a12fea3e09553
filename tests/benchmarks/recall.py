"""From a lot to its work orders over 100,000 samples, and the same from the export by plain SQL.

Stated bounds: both find the same, and the page's way takes less than a second of CPU for a lot.
"""

import argparse
import csv
import sqlite3
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from station.ledger.chain import Moment
from station.ledger.entries import Joint, LotInUse, SampleBegun, SampleFinished, WorkDone
from station.ledger.export import export_ledger
from station.ledger.store import Ledger
from station.shop.lots import recall
from tests.benchmarks.report import Figures, run

SAMPLES = 100_000
A_LOT = 500
"""Samples from one bag to the next, over four nests."""
A_DAY = 40
START = datetime(2030, 1, 1, 12, tzinfo=UTC)
NESTS = ("red", "blue", "yellow", "green")

FROM_TABLES = """
WITH mine AS (
    SELECT * FROM samples WHERE :lot IN (terminal_lot, sleeve_lot, tool_serial)
    OR EXISTS (SELECT 1 FROM json_each(reels) WHERE value = :lot)
), bounds AS (
    SELECT tool, nest, connector, wires, material,
        min(begun_seq + 0) AS first, max(begun_seq + 0) AS last
    FROM mine GROUP BY tool, nest, connector, wires, material
), beside AS (
    SELECT bounds.tool, bounds.nest,
        max(CASE WHEN begun_seq + 0 < first THEN date(at_utc, 'localtime') END) AS since,
        min(CASE WHEN begun_seq + 0 > last THEN date(at_utc, 'localtime') END) AS until
    FROM bounds JOIN samples USING (tool, nest, connector, wires, material)
    GROUP BY bounds.tool, bounds.nest, connector, wires, material
)
SELECT DISTINCT w."payload.day" AS day, w.seq + 0 AS seq, w."payload.work_order"
FROM work_done AS w JOIN beside ON w."payload.tool" = tool AND w."payload.nest" = nest
WHERE (since IS NULL OR day >= since) AND (until IS NULL OR day <= until) ORDER BY day, 2
"""
"""What the page finds, said by the export's own tables (no outside source: a second way to it)."""


def tables_of(export: Path) -> sqlite3.Connection:
    """The tables of an export that a recall needs, as they stand in its files."""
    tables = sqlite3.connect(":memory:")
    for file in (export / "samples.csv", export / "entries" / "work_done.csv"):
        with file.open(encoding="utf-8", newline="") as text:
            rows = csv.reader(text)
            head = next(rows)
            columns = ", ".join(f'"{name}"' for name in head)
            tables.execute(f"CREATE TABLE {file.stem} ({columns})")
            marks = ", ".join("?" * len(head))
            tables.executemany(f"INSERT INTO {file.stem} VALUES ({marks})", rows)
    return tables


def recalled_from_tables(tables: sqlite3.Connection, lot: str) -> tuple[list[str], list[str]]:
    """Samples and work orders of a lot."""
    mine, _, _ = FROM_TABLES.partition("), bounds")
    ids = tables.execute(f"{mine}) SELECT sample_id FROM mine ORDER BY begun_seq + 0", {"lot": lot})
    work = tables.execute(FROM_TABLES, {"lot": lot})
    return [row[0] for row in ids], [row[2] for row in work]


def fill(ledger: Ledger, samples: int) -> None:
    """Invented: bag after bag of one connector, in four nests, and a work order a nest a day."""
    for place in range(samples):
        at = Moment(START + timedelta(days=place // A_DAY, seconds=place), True, "invented", 0.0)
        lot, nest = f"T{place // A_LOT}", NESTS[place % len(NESTS)]
        joint = Joint(connector="ring-red", wires=("18 AWG",), tool="Tool 1", nest=nest)
        if place % A_LOT == 0:
            bag = LotInUse(demo=True, connector=joint.connector, terminal_lot=lot)
            ledger.append(bag, person="Ann Example", moment=at)
        begun = SampleBegun(
            demo=True, job="service", joint=joint, terminal_lot=lot, reels=(f"R{place // 3000}",)
        )
        sample_id = ledger.append(begun, person="Ann Example", moment=at).id
        finished = SampleFinished(
            demo=True, sample_id=sample_id, job="service", joint=joint, limit_standing="",
            guard=1.645, resistance=None, pull=None, criteria=(), verdict="undecided",
            terminal_lot=lot, reels=begun.reels,
        )  # fmt: skip
        ledger.append(finished, person="Ann Example", moment=at)
        if place % A_DAY < len(NESTS):
            work = WorkDone(
                demo=True, day=at.at_utc.date(), work_order=f"W{place}", tool="Tool 1", nest=nest
            )
            ledger.append(work, person="Ann Example", moment=at)


def measure(samples: int) -> Figures:
    """Fill a ledger, recall lots and reels of it in both ways, and compare."""
    with tempfile.TemporaryDirectory() as folder:
        return _measure(samples, Path(folder))


def _measure(samples: int, folder: Path) -> Figures:
    path, out = folder / "recall.ledger", folder / "export"
    with Ledger.open(path) as ledger:
        with ledger.transaction():
            fill(ledger, samples)
        lots = [f"T{place}" for place in (0, samples // A_LOT // 2, samples // A_LOT - 1)]
        lots.append("R0")
        started = time.process_time()
        found = [recall(ledger.reader, lot) for lot in lots]
        page_s = (time.process_time() - started) / len(lots)
    export_ledger(path, out, now=START, traces="none")
    tables = tables_of(out)
    started = time.process_time()
    plain = [recalled_from_tables(tables, lot) for lot in lots]
    plain_s = (time.process_time() - started) / len(lots)
    ours = [
        ([row.sample_id for row in one.samples], [row.work_order for row in one.work])
        for one in found
    ]
    figures: dict[str, object] = {
        "samples": samples,
        "samples_found": [len(ids) for ids, _ in ours],
        "work_orders_found": [len(orders) for _, orders in ours],
        "equal_to_the_export": ours == plain,
        "recall_cpu_s": page_s,
        "plain_tables_cpu_s": plain_s,
    }
    return Figures("recall", figures, ours == plain and page_s < 1.0)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=SAMPLES)
    options, rest = parser.parse_known_args()
    sys.argv[1:] = rest
    run(lambda: measure(options.samples))
