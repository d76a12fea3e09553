"""A daily check walked twice from start to paper: ``python -m tests.walks.daily_check``.

The same invented shop is copied. In one copy a real Chromium works the page; in the other the same
samples are made by the command line. Both benches are simulated from the same seed, so that the
same crimps lie on them, and both must come to the same outcome. The pictures and papers of the
README's folder are made here.
"""

import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

from flask import Flask
from playwright.sync_api import Page, expect
from werkzeug.serving import make_server

from station.cli.main import run
from station.files import write_whole
from station.instruments.panel.base import BasePanel
from station.instruments.panel.watch import PanelWatch
from station.jobs.papers.of_job import paper_of
from station.ledger.jobs import job_record, jobs
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord
from station.ledger.store import Ledger
from station.settings import Settings
from station.shop.nests import Nests
from station.shop.sign_in import utc_now
from station.simulation import demo as demo_run
from station.simulation.hands import HandsAtTheBench
from station.simulation.history import HistoryWriter
from tests.chromium import chromium
from tests.pace import unpaced
from web import create_app

TARGET = Path(__file__).parents[2] / ".readme" / "jobs"
PERSON = "Carys"
SEED = 5
DAYS = 60
STEP_MS = 90_000

P = TypeVar("P")
C = TypeVar("C")


@dataclass(frozen=True)
class Walk:
    """One nest to be checked, in the gauge that it made last."""

    tool: str
    nest: str

    @property
    def name(self) -> str:
        return f"daily-check-{self.tool.lower()}-{self.nest}"


WALKS = (Walk("Heron", "red"), Walk("Wren", "blue"))
"""A nest that is as it was, and the worn one, of which pictures and a paper are kept."""

WORK_ORDER = "W-117"
"""Invented work that left the shop before the nest was checked."""


def side_by_side(by_page: Callable[[], P], by_command: Callable[[], C]) -> tuple[P, C]:
    """Walk both ways at the same time, each on its own copy of the shop, at any pace."""
    with unpaced(), ThreadPoolExecutor(1, "command line") as pool:
        command = pool.submit(by_command)
        page = by_page()
        return page, command.result()


def settings() -> Settings:
    """The demo shop's."""
    return Settings()


def invent_shop(path: Path, days: int = DAYS) -> None:
    """Fill a ledger up to today."""
    limit_sets = demo_run.demo_limit_sets()
    with demo_run.open_demo_ledger(path) as ledger:
        today = datetime.now().astimezone().date()
        HistoryWriter(ledger, limit_sets, settings(), seed=1).write(today, days)


def by_command(path: Path, walk: Walk) -> JobRecord:
    """Check a nest by the command line."""
    plan = path.with_name("bench.toml")
    plan.write_text("")
    common = ["--ledger", str(path), "--settings", str(plan)]
    who = ["--person", PERSON]
    place = f"{walk.tool}/{walk.nest}"
    with Ledger.open(path, create=False) as ledger:
        Nests(ledger, demo=True, now=utc_now).log_work(walk.tool, walk.nest, WORK_ORDER, PERSON)
    _run("job", "start", "daily_check", "--nest", place, *who, *common)
    with LedgerReader.open(path) as reader:
        job_id = jobs(reader, only_open=True)[0].job_id
        last = reader.nest_samples(walk.tool, walk.nest, limit=1)[0]
    gauge = ["--connector", last.connector, "--wire", last.wires[0]]
    how = ["--simulate", "--seed", str(SEED), "--count", "20"]
    _run("job", "sample", job_id, *gauge, *how, *who, *common)
    out = path.with_name(f"{walk.name}-by-command.html")
    _run("job", "report", job_id, "--out", str(out), "--ledger", str(path))
    with LedgerReader.open(path) as reader:
        return job_record(reader, job_id)


def _run(*arguments: str) -> None:
    code = run(arguments)
    if code != 0:
        raise SystemExit(f"station {' '.join(arguments)} ended with {code}")


_MAKING = threading.Lock()
"""CPython 3.11 fails where two threads make routes at once: both build syntax trees."""


@contextmanager
def opened(
    path: Path, plans: Path | None = None, panel: BasePanel | None = None
) -> Iterator[tuple[Flask, demo_run.SimulatedBench]]:
    """The page of a simulated bench on this ledger, with a shop's own plans, and the bench."""
    limit_sets = demo_run.demo_limit_sets()
    own = settings().model_copy(update={"plans_folder": plans})
    with (
        demo_run.open_demo_ledger(path) as ledger,
        demo_run.simulated_bench(
            ledger, limit_sets, own, seed=SEED, demo=True, panel=panel
        ) as simulated,
    ):
        with _MAKING:
            app = create_app(simulated.bench)
        yield app, simulated


@contextmanager
def served(path: Path, plans: Path | None = None, panel: BasePanel | None = None) -> Iterator[str]:
    """The same, served to a browser, with hands that do what the page asks for."""
    with (
        opened(path, plans, panel) as (app, simulated),
        HandsAtTheBench(simulated.hands),
        nullcontext() if panel is None else PanelWatch(panel, simulated.bench.take_event),
    ):
        server = make_server("127.0.0.1", 0, app, threaded=True)
        thread = threading.Thread(target=server.serve_forever, name="page that is walked")
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}"
        finally:
            # Wakes requests that wait for news.
            simulated.bench.board.show()
            server.shutdown()
            thread.join()
            server.server_close()


def by_page(path: Path, walk: Walk, pictures: Path | None = None) -> JobRecord:
    """Check a nest on the page, in a real browser the size of the bench's screen."""
    with served(path) as address, chromium() as browser:
        page = browser.new_page(viewport={"width": 800, "height": 480}, base_url=address)
        page.set_default_timeout(STEP_MS)
        expect.set_options(timeout=STEP_MS)
        page.goto(f"/tools/{walk.tool}/{walk.nest}")
        _note_work(page)
        _photograph(page, pictures, f"{walk.name}-1-due")
        # Who is there was said with the work.
        page.get_by_role("button", name="Check it").click()
        all_good = page.get_by_role("button", name="All as it should be, clips are on")
        expect(all_good).to_be_visible()
        _photograph(page, pictures, f"{walk.name}-2-next")
        all_good.click()
        _measure(page)
        following = page.locator(".outcome .big")
        while "Next: " in following.inner_text():
            following.click()
            _measure(page)
        page.get_by_role("link", name="How the job stands").click()
        expect(page.locator("#outcome")).to_be_visible()
        _photograph(page, pictures, f"{walk.name}-3-outcome")
        job = page.url
    with LedgerReader.open(path) as reader:
        return job_record(reader, job.rsplit("/", 1)[1])


def _note_work(page: Page) -> None:
    page.get_by_text("Work that leaves the shop").click()
    form = page.locator("form", has=page.get_by_role("button", name="Note it"))
    form.get_by_label("Work order").fill(WORK_ORDER)
    form.get_by_label("Person").select_option(PERSON)
    form.get_by_role("button", name="Note it").click()
    expect(page.get_by_text(WORK_ORDER).first).to_be_attached()


def _measure(page: Page) -> None:
    """From the clips being on to the verdict."""
    page.get_by_role("button", name="Gripped, start recording").click()
    # What the trace suggests or, where it cannot tell, what the simulated wires mostly do.
    suggested = page.locator("button[name=mode].suggested")
    suggested.or_(page.locator("button[name=mode][value=drawn_out]")).first.click()
    expect(page.locator("#verdict")).to_be_visible()


def _photograph(page: Page, folder: Path | None, name: str) -> None:
    if folder is not None:
        page.screenshot(path=str(folder / f"{name}.png"))


def differences(page: JobRecord, command: JobRecord) -> list[str]:
    """In what the two walks differ: nothing, if the station is one station."""
    found = []
    ends = [record.ended.outcome if record.ended else None for record in (page, command)]
    if ends[0] != ends[1]:
        found.append(f"outcome {ends[0]} on the page, {ends[1]} by the command line")
    if len(page.samples) != len(command.samples):
        found.append(f"{len(page.samples)} samples on the page, {len(command.samples)} by command")
    for one, other in zip(page.samples, command.samples, strict=False):
        if one.verdict != other.verdict or one.joint_key != other.joint_key:
            found.append(f"{one.joint_key} {one.verdict}, {other.joint_key} {other.verdict}")
        # The same crimp, read twice: within four of the tester's own deviations.
        if abs((one.peak_n or 0.0) - (other.peak_n or 0.0)) > 4.0 * (one.peak_u_n or 1.0):
            found.append(f"peak {one.peak_n} N on the page, {other.peak_n} N by command")
    return found


def main() -> None:
    """Walk both nests both ways, and make the pictures and papers."""
    TARGET.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        first, second = Path(folder) / "page" / "demo.ledger", Path(folder) / "cli" / "demo.ledger"
        for path in (first, second):
            path.parent.mkdir()
        invent_shop(first)
        shutil.copy(first, second)
        for walk in WALKS:
            kept = walk == WALKS[-1]
            page, command = side_by_side(
                partial(by_page, first, walk, TARGET if kept else None),
                partial(by_command, second, walk),
            )
            if found := differences(page, command):
                raise SystemExit("\n".join(found))
            if kept:
                with LedgerReader.open(first) as reader:
                    write_whole(TARGET / f"{walk.name}.html", paper_of(reader, page.row.job_id))
            ended = page.ended
            print(f"{walk.name}: {ended.outcome if ended else 'open'}, both ways")


if __name__ == "__main__":
    main()
