"""A ledger of one million samples: what appending, pages, exports, verify and rebuild cost.

The ledger grows in three steps, a hundredth, a tenth and the whole. At each, the finish of a sample
is appended in turn with a bare SQLite commit of the same bytes under the same pragmas, in the same
folder; pages are asked for through the application; the whole record is exported, verified and
built again.

A bare commit is the driver alone, without checks, chain or read tables, into a copy of the ledger:
tables as large, with the keys that refuse an entry twice and find a trace by its hash. Tables
without any key are timed beside it, for what they are worth; they hold no bound.

Stated bounds: an append costs at most twice the bare commit (ratio of medians, at every size);
pages, which show equally many rows at every size, take at most 1.5 times as long at the whole as at
a hundredth, beside a page that reads nothing of the record; export, verify and rebuild take at most
1.5 times as long a row; each shows progress. (The 1.5 is our own allowance for the scatter of a
machine that does other things too.)

``--samples N`` sets the size, ``--folder DIR`` the disk.
"""

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from statistics import median

from flask.testing import FlaskClient

from station.bay import InstrumentBay
from station.bench import Bench
from station.datafiles import shipped_book
from station.demo import workshop
from station.demo.run import demo_limit_sets
from station.ledger.export import export_ledger
from station.ledger.record import payload_text
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import Settings
from tests.benchmarks.invented_ledger import BareCommits, InventedLedger
from tests.benchmarks.report import Figures, run
from web import create_app

SAMPLES = 1_000_000
PAIRS = 600
ASKED = 9
AT_MOST_BARE = 2.0
AT_MOST_LONGER = 1.5

CONTROL = "page limits_ms"
"""A page that reads nothing of the record: as much slower as it is, so is the machine just then."""

Costs = dict[str, float]


def measure(samples: int, folder: Path | None) -> Figures:
    figures: dict[str, object] = {}
    steps: list[tuple[int, Costs]] = []
    with ExitStack() as stack:
        scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder)))
        ledger = stack.enter_context(Ledger.open(scratch / "bench.ledger"))
        invented = InventedLedger(ledger)
        for size in sorted({smallest(samples), samples // 10, samples}):
            say(f"growing to {size} samples")
            invented.grow(size - PAIRS)
            costs = appending(invented, scratch)
            say(f"asking for pages: {costs}")
            costs |= pages(ledger)
            say(f"exporting, verifying, rebuilding: {costs}")
            costs |= whole_record(ledger, scratch)
            steps.append((size, costs))
            say(f"{size}: {costs}")
    for size, costs in steps:
        figures |= {f"{name}_at_{size}": value for name, value in costs.items()}
    first, last = steps[0][1], steps[-1][1]
    slower = last[CONTROL] / first[CONTROL]
    growth = {
        name: last[name] / first[name] / (slower if name.startswith("page ") else 1.0)
        for name in first
        if name.startswith("page ") or name.endswith("_us_per_row")
    }
    figures |= {f"{name}: growth": value for name, value in growth.items()}
    dearest = max(costs["append_over_bare"] for _, costs in steps)
    told = min(value for name, value in last.items() if name.endswith("_progress_calls"))
    figures |= {"append_over_bare_at_most": dearest, "growth_at_most": max(growth.values())}
    holds = dearest <= AT_MOST_BARE and max(growth.values()) <= AT_MOST_LONGER and told >= 10
    return Figures("million", figures, holds)


def smallest(samples: int) -> int:
    """The size of the first step."""
    return samples // 100


def appending(invented: InventedLedger, scratch: Path) -> Costs:
    """Append beside commits without a station, into a copy of the ledger and without any keys."""
    with tempfile.TemporaryDirectory(dir=scratch) as folder, ExitStack() as stack:
        bare = BareCommits(Path(folder) / "bare.db", copied_from=invented.ledger.path)
        stack.callback(bare.close)
        keyless = BareCommits(Path(folder) / "keyless.db")
        stack.callback(keyless.close)
        return in_turn(invented, bare, keyless)


def in_turn(invented: InventedLedger, bare: BareCommits, keyless: BareCommits) -> Costs:
    """Append and commit in turn, so that whatever else the machine does hits all alike.

    Each goes first as often as the others, for what follows finds the disk awake and the
    processor's caches cold.
    """
    took: dict[str, list[float]] = {"append": [], "bare": [], "keyless": []}
    for number in range(PAIRS):
        finished, person, traces = invented.next_sample()
        # None is asked for the time: the bare commits write one that they are given as well.
        moment = invented.next_moment()
        payload = payload_text(finished)
        turns = [
            ("append", partial(invented.finish, finished, person, traces, moment)),
            ("bare", partial(bare.commit, payload, traces)),
            ("keyless", partial(keyless.commit, payload, traces)),
        ]
        first = number % len(turns)
        for name, action in turns[first:] + turns[:first]:
            took[name].append(seconds(action))
    costs = {f"{name}_us": median(times) * 1e6 for name, times in took.items()}
    return costs | {
        "append_over_bare": costs["append_us"] / costs["bare_us"],
        "append_over_bare_in_all": sum(took["append"]) / sum(took["bare"]),
        "append_over_keyless": costs["append_us"] / costs["keyless_us"],
    }


def pages(ledger: Ledger) -> Costs:
    """Time of each page in milliseconds."""
    with asking(ledger) as ask:
        # The fastest: whatever else the machine does only ever adds.
        return {name: min(seconds(page) for _ in range(ASKED)) * 1e3 for name, page in ask.items()}


@contextmanager
def asking(ledger: Ledger) -> Iterator[Mapping[str, Callable[[], None]]]:
    """Give what asks for each page over a ledger, by its name, each asked once already."""
    rows = ledger.reader.samples(limit=1)
    settings = Settings()
    bench = Bench(
        settings=settings,
        ledger=ledger,
        bay=InstrumentBay(settings),
        limit_sets=demo_limit_sets(),
        connectors=shipped_book(),
        demo=True,
    )
    # The day after the last sample: no page is short because nothing happened today.
    clock = rows[0].at_utc
    app = create_app(bench, ledger.path, testing=True, clock=lambda: clock)
    client = app.test_client()
    # Just started, a station works its trends out once, in a thread of its own.
    client.get("/tools")
    app.extensions["station"].trends.wait(timeout_s=3600.0)
    ask = {
        f"page {name}_ms": partial(page, client, path) for name, path in paths_over(ledger).items()
    }
    for first in ask.values():
        first()
    try:
        yield ask
    finally:
        bench.close()


def paths_over(ledger: Ledger) -> dict[str, str]:
    """The pages that are asked for, by their names."""
    last = ledger.reader.samples(limit=1)[0]
    middle = last.begun_seq // 2
    old = ledger.reader.samples(limit=1, before_seq=middle)[0]
    tool, nest = next(iter(workshop.TOOLS)), next(iter(workshop.NEST_SIZES))
    return {
        "today": "/",
        "bench": "/bench",
        "samples": "/samples",
        "samples of the middle": f"/samples?before={middle}",
        "samples that failed": "/samples?verdict=fail",
        "samples of one person": f"/samples?person={last.person}",
        "an old sample": f"/samples/{old.sample_id}",
        "tools": "/tools",
        "a nest": f"/tools/{tool}/{nest}",
        "people": "/people",
        "instruments": "/instruments",
        "limits": "/limits",
    }


def page(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    if answer.status_code != 200:
        raise RuntimeError(f"{path} answered {answer.status_code}: {answer.text[:500]}")


def whole_record(ledger: Ledger, scratch: Path) -> Costs:
    """Export, verify and rebuild; microseconds a row, and how often progress was told."""
    counts = ledger.reader.counts()
    calls = {"export": 0, "verify": 0, "rebuild": 0}

    def tell(what: str, _done: int, _total: int) -> None:
        calls[what] += 1

    out = scratch / "export"
    now = datetime(2031, 1, 1, tzinfo=UTC)
    export_s = seconds(
        lambda: export_ledger(
            ledger.path, out, now=now, traces="npz", progress=partial(tell, "export")
        )
    )
    shutil.rmtree(out)
    verify_s = seconds(lambda: sound(ledger, partial(tell, "verify")))
    rebuild_s = seconds(lambda: ledger.rebuild(partial(tell, "rebuild")))
    rows = counts.entries + 2 * counts.samples
    costs = {
        "export_us_per_row": export_s / rows * 1e6,
        "verify_us_per_row": verify_s / (counts.entries + counts.samples) * 1e6,
        "rebuild_us_per_row": rebuild_s / counts.entries * 1e6,
    }
    return costs | {f"{what}_progress_calls": float(number) for what, number in calls.items()}


def sound(ledger: Ledger, progress: Callable[[int, int], None]) -> None:
    report = verify_ledger(ledger.path, progress)
    if report.first_bad is not None:
        raise RuntimeError(report.first_bad)


def seconds(action: Callable[[], object]) -> float:
    begun_s = time.perf_counter()
    action()
    return time.perf_counter() - begun_s


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    options = argparse.ArgumentParser(add_help=False)
    options.add_argument("--samples", type=int, default=SAMPLES)
    options.add_argument("--folder", type=Path)
    known, sys.argv[1:] = options.parse_known_args()
    run(partial(measure, known.samples, known.folder))
