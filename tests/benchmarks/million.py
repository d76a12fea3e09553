"""A ledger of one million samples: what appending, pages, exports, verify and rebuild cost.

The ledger grows in three steps, a hundredth, a tenth and the whole. At each, the finish of a sample
is appended in turn with a bare SQLite commit of the same bytes under the same pragmas, in the same
folder. Then pages are asked for through the application, the whole record is exported, verified and
built again, all beside another ledger of a hundredth, in turn: whatever else the machine does hits
both alike.

A bare commit is the driver alone, without checks, chain or read tables, into two tables without an
index. One into a copy of the ledger, whose tables are as large and have the keys that refuse an
entry twice and find a trace by its hash, is timed beside it; it holds no bound.

Stated bounds: an append costs at most four times the bare commit (ratio of medians, at every size);
pages, which show equally many rows at every size, take at most 1.5 times as long over the whole as
over a hundredth; export, verify and rebuild take at most 1.5 times as long a row; each shows
progress. (The 1.5 is our own allowance for what is read deeper in larger files.)

``--samples N`` sets the size, ``--folder DIR`` the disk.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from statistics import mean, median

from flask.testing import FlaskClient

from station.ledger.entry import payload_text
from station.ledger.export import export_ledger
from station.ledger.store import Ledger
from station.ledger.verify import Progress, verify_ledger
from station.settings import Settings
from station.simulation import workshop
from tests.benchmarks.invented_ledger import BareCommits, InventedLedger, simulated_bench
from tests.benchmarks.report import Figures, run
from tests.trends import worked_out
from web import create_app

SAMPLES = 1_000_000
PAIRS = 600
TURNS = 31
PARTS = 8
AT_MOST_BARE = 4.0
AT_MOST_LONGER = 1.5

CONTROL = "page limits_ms"
"""A page that reads nothing of the record."""

Costs = dict[str, float]
Pair = tuple[float, float]
"""What something takes over the small ledger and over the large one."""


def measure(samples: int, folder: Path | None) -> Figures:
    figures: dict[str, object] = {}
    over_bare = []
    with ExitStack() as stack:
        scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder)))
        small = stack.enter_context(grown(scratch / "small.ledger", samples // 100))
        large = stack.enter_context(Ledger.open(scratch / "bench.ledger"))
        invented = InventedLedger(large)
        for size in (samples // 100, samples // 10, samples):
            say(f"growing to {size} samples")
            invented.grow(size - PAIRS)
            costs = appending(invented, scratch)
            say(str(costs))
            figures |= {f"{name}_at_{size}": value for name, value in costs.items()}
            over_bare.append(costs["append_over_bare"])
        say("asking for pages")
        pairs = pages(small, large)
        rows, told = whole_records(small, large, scratch)
    pairs |= rows
    growth = {name: many / few for name, (few, many) in pairs.items()}
    figures |= {f"{name} small": few for name, (few, _) in pairs.items()}
    figures |= {f"{name} large": many for name, (_, many) in pairs.items()}
    figures |= {f"{name}: growth": value for name, value in growth.items()}
    figures |= {f"{name}_progress_calls": calls for name, calls in told.items()}
    worst = max(growth.values())
    figures |= {"append_over_bare_at_most": max(over_bare), "growth_at_most": worst}
    shown = min(told.values()) >= 10
    holds = max(over_bare) <= AT_MOST_BARE and worst <= AT_MOST_LONGER and shown
    return Figures("million", figures, holds)


@contextmanager
def grown(path: Path, samples: int) -> Iterator[Ledger]:
    """Give a ledger of so many samples."""
    say(f"growing to {samples} samples")
    with Ledger.open(path) as ledger:
        InventedLedger(ledger).grow(samples)
        yield ledger


def appending(invented: InventedLedger, scratch: Path) -> Costs:
    """Append beside commits without a station, into tables without an index and into a copy."""
    with tempfile.TemporaryDirectory(dir=scratch) as folder, ExitStack() as stack:
        bare = BareCommits(Path(folder) / "bare.db")
        stack.callback(bare.close)
        keyed = BareCommits(Path(folder) / "keyed.db", copied_from=invented.ledger.path)
        stack.callback(keyed.close)
        return in_turn(invented, bare, keyed)


def in_turn(invented: InventedLedger, bare: BareCommits, keyed: BareCommits) -> Costs:
    """Append and commit in turn, so that whatever else the machine does hits all alike.

    Each goes first as often as the others, for what follows finds the disk awake and the
    processor's caches cold.
    """
    took: dict[str, list[float]] = {"append": [], "bare": [], "keyed": []}
    for number in range(PAIRS):
        finished, person, traces = invented.next_sample()
        payload = payload_text(finished)
        turns = [
            ("append", partial(invented.finish, finished, person, traces)),
            ("bare", partial(bare.commit, payload, traces)),
            ("keyed", partial(keyed.commit, payload, traces)),
        ]
        first = number % len(turns)
        for name, action in turns[first:] + turns[:first]:
            took[name].append(seconds(action))
    costs = {f"{name}_us": median(times) * 1e6 for name, times in took.items()}
    return costs | {
        "append_over_bare": costs["append_us"] / costs["bare_us"],
        "append_over_bare_in_all": sum(took["append"]) / sum(took["bare"]),
        "append_over_keyed": costs["append_us"] / costs["keyed_us"],
    }


def pages(small: Ledger, large: Ledger) -> dict[str, Pair]:
    """Return what each page takes, in milliseconds."""
    with asking(small) as few, asking(large) as many:
        return {name: paired(few[name], many[name]) for name in few}


def paired(few: Callable[[], None], many: Callable[[], None]) -> Pair:
    """Return the medians of what two actions take in turn, in milliseconds."""
    took = [(seconds(few), seconds(many)) for _ in range(TURNS)]
    over_few, over_many = (median(times) * 1e3 for times in zip(*took, strict=True))
    return over_few, over_many


@contextmanager
def asking(ledger: Ledger) -> Iterator[Mapping[str, Callable[[], None]]]:
    """Give what asks for each page over a ledger, by its name, each asked once already."""
    rows = ledger.reader.samples(limit=1)
    bench = simulated_bench(ledger, Settings())
    # The day after the last sample: no page is short because nothing happened today.
    clock = rows[0].at_utc
    app = create_app(bench, testing=True, clock=lambda: clock)
    client = app.test_client()
    # Just started, a station works its trends out once, in a thread of its own.
    client.get("/tools")
    assert worked_out(3600.0)
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


def whole_records(
    small: Ledger, large: Ledger, scratch: Path
) -> tuple[dict[str, Pair], dict[str, int]]:
    """Export, verify and rebuild; microseconds a row, and how often progress was told."""
    actions: dict[str, Callable[[Ledger, Progress], None]] = {
        "export": partial(exported, scratch),
        "verify": sound,
        "rebuild": rebuilt,
    }
    pairs, told = {}, {}
    for name, action in actions.items():
        say(name)
        few_s, many_s, told[name] = beside(partial(action, small), partial(action, large))
        few, many = (few_s / rows_of(name, small), many_s / rows_of(name, large))
        pairs[f"{name}_us_per_row"] = few * 1e6, many * 1e6
    return pairs, told


def beside(
    short: Callable[[Progress], None], long: Callable[[Progress], None]
) -> tuple[float, float, int]:
    """Time a long action and, each time it has come a part further, a short one in between.

    Returns
    -------
    tuple
        Mean seconds of the short one, seconds of the long one, and how often that told progress.
    """
    took: list[float] = []
    calls = 0

    def tell(done: int, total: int) -> None:
        nonlocal calls
        calls += 1
        if done * PARTS >= total * len(took):
            took.append(seconds(lambda: short(lambda _done, _total: None)))

    long_s = seconds(lambda: long(tell))
    return mean(took), long_s - sum(took), calls


def rows_of(action: str, ledger: Ledger) -> int:
    """Return how many rows an action reads or writes: entries, samples and traces."""
    counts = ledger.reader.counts()
    return counts.entries + counts.samples * {"export": 2, "verify": 1, "rebuild": 0}[action]


def exported(scratch: Path, ledger: Ledger, progress: Progress) -> None:
    now = datetime(2031, 1, 1, tzinfo=UTC)
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        export_ledger(ledger.path, Path(folder) / "out", now=now, traces="npz", progress=progress)


def rebuilt(ledger: Ledger, progress: Progress) -> None:
    ledger.rebuild(progress)


def sound(ledger: Ledger, progress: Progress) -> None:
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
