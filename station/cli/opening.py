"""Opening what commands on jobs work with: the ledger, its book, and a bench for one sample."""

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import click

from station.bench.bench import Bench
from station.bench.board import WHAT_TO_DO, BenchState, Stage
from station.bench.operator import Operator, SampleAbandoned
from station.cli.ledger_file import default_ledger
from station.crimp.facts import load_limit_sets, shipped_book
from station.crimp.limits import LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.instruments.bay import InstrumentBay
from station.instruments.panel.gpio import open_panel
from station.instruments.standstill import WORDS
from station.jobs.open_jobs import JobBook, JobReadings
from station.ledger.entries import Joint
from station.ledger.in_use import ledger_in_use
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.settings import Settings, read_settings
from station.simulation import demo as demo_run
from station.simulation.demo import as_the_demo_judges

Command = Callable[..., Any]
Say = Callable[[str], None]


def ledger_options(command: Command) -> Command:
    """Add ``--ledger`` and ``--settings``."""
    file = click.Path(path_type=Path, dir_okay=False)
    command = click.option(
        "--settings", "settings_path", type=file, metavar="FILE", help="The bench's settings."
    )(command)
    return click.option(
        "--ledger", "ledger_path", type=file, metavar="FILE",
        help="Default: the station's ledger, or the demo's where that is the only one.",
    )(command)  # fmt: skip


@dataclass(frozen=True)
class OpenBook:
    """A ledger with its book of jobs, and the settings in force."""

    ledger: Ledger
    book: JobBook
    settings: Settings


@contextmanager
def opened_book(ledger_path: Path | None, settings_path: Path | None) -> Iterator[OpenBook]:
    """Open the ledger for writing, with its book of jobs (BadInput where there is none)."""
    settings = read_settings(settings_path)
    path = ledger_path or settings.ledger or default_ledger()
    with Ledger.open(path, create=False) as ledger:
        invented = ledger.reader.is_demo()
        settings = as_the_demo_judges(settings, invented=invented)
        yield OpenBook(ledger, JobBook(ledger, settings, demo=invented), settings)


@contextmanager
def read_book(ledger_path: Path | None, settings_path: Path | None) -> Iterator[JobReadings]:
    """Open the ledger for reading alone, to see how its jobs stand (BadInput without one)."""
    settings = read_settings(settings_path)
    with LedgerReader.open(ledger_path or settings.ledger or default_ledger()) as reader:
        invented = reader.is_demo()
        settings = as_the_demo_judges(settings, invented=invented)
        yield JobReadings(reader, settings, demo=invented)


def limit_sets_at_hand(ledger: Ledger, settings: Settings, *, simulate: bool) -> LimitSets:
    """The limit sets at hand; the invented workshop's among them where all is invented."""
    if simulate or ledger.reader.is_demo():
        return demo_run.demo_limit_sets(settings.limit_sets_folder)
    return load_limit_sets(settings.limit_sets_folder)


class OperatorOf(Protocol):
    """Makes the operator for a sample of a joint."""

    def __call__(self, joint: Joint) -> Operator:
        """Return the operator."""


@dataclass(frozen=True)
class BenchAtHand:
    """A bench for samples at the command line, and who works it."""

    bench: Bench
    operator: OperatorOf


@contextmanager
def opened_bench(opened: OpenBook, *, simulate: bool, seed: int, say: Say) -> Iterator[BenchAtHand]:
    """Open the instruments that the settings name, or simulated ones; the ledger is then in use.

    Raises
    ------
    LedgerInUse
        A station runs on this ledger: make the sample on its page.
    """
    ledger, settings = opened.ledger, opened.settings
    limit_sets = limit_sets_at_hand(ledger, settings, simulate=simulate)
    with ExitStack() as stack:
        stack.enter_context(ledger_in_use(ledger.path, "a job at the command line"))
        if simulate:
            simulated = stack.enter_context(
                demo_run.simulated_bench(
                    ledger, limit_sets, settings, seed=seed, demo=ledger.reader.is_demo()
                )
            )
            hands = simulated.hands
            yield BenchAtHand(
                simulated.bench, lambda joint: demo_run.HandsAsOperator(hands, say, joint)
            )
            return
        panel = stack.enter_context(open_panel(settings.panel))
        bench = Bench(
            settings=settings,
            ledger=ledger,
            bay=InstrumentBay(settings),
            limit_sets=limit_sets,
            connectors=shipped_book(),
            panel=panel,
        )
        stack.callback(bench.close)
        bench.board.listeners.append(StandstillTold())
        yield BenchAtHand(bench, lambda _joint: OperatorAtTheTerminal())


class StandstillTold:
    """Says on the terminal that the force stands still, once each time it does."""

    def __init__(self) -> None:
        self._told: str | None = None

    def __call__(self, state: BenchState) -> None:
        """Look at a new snapshot of the bench."""
        if state.standstill not in (None, self._told):
            click.echo(WORDS[state.standstill], err=True)
        self._told = state.standstill


class OperatorAtTheTerminal:
    """A person who answers at the command line; Ctrl-C gives the sample up."""

    def __init__(self) -> None:
        self.stop = threading.Event()

    def clips_on(self) -> None:
        """Wait for the person."""
        self._wait(Stage.CLIP_ON)

    def sample_gripped(self) -> None:
        """Wait for the person."""
        self._wait(Stage.GRIP)

    def failure_mode(self, suggested: str | None) -> str:
        """Ask how the sample let go."""
        hint = f" (the trace suggests: {FAILURE_MODES[suggested]})" if suggested else ""
        click.echo(f"{WHAT_TO_DO[Stage.NAME_FAILURE]}{hint}", err=True)
        for mode, words in FAILURE_MODES.items():
            click.echo(f"  {mode}: {words}", err=True)
        try:
            return str(
                click.prompt("How", type=click.Choice(list(FAILURE_MODES)), default=suggested,
                             show_choices=False, err=True)
            )  # fmt: skip
        except click.Abort:
            raise SampleAbandoned("given up by the operator at the command line") from None

    def _wait(self, stage: Stage) -> None:
        try:
            click.prompt(
                f"{WHAT_TO_DO[stage]} Press Enter", default="", show_default=False, err=True
            )
        except click.Abort:
            raise SampleAbandoned("given up by the operator at the command line") from None
