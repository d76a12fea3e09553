"""Taking samples at the command line: the bench opened, and a person or simulated hands at it."""

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import click

from station.bay import InstrumentBay
from station.bench import Bench, SampleOutcome
from station.bench_state import WHAT_TO_DO, SampleOrder, Stage
from station.cli.bench import outcome_lines
from station.datafiles import load_limit_sets, shipped_book
from station.demo.hands import SimulatedHands
from station.demo.run import demo_limit_sets, simulated_bench
from station.instruments.panel import open_panel
from station.ledger.entries import Joint
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger
from station.limits import LimitSets
from station.operators import Operator, SampleAbandoned
from station.pull import FAILURE_MODES
from station.settings import Settings

Command = Callable[..., Any]
Take = Callable[[SampleOrder], SampleOutcome]

CAUTION = (
    "Eye protection on, guard closed, nobody in line with the pull. Battery disconnected and the "
    "circuit dead before any clip goes on; never on airbag or other pyrotechnic circuits. A pulled "
    "sample is scrap. This program is not a safety function."
)


def simulate_option(command: Command) -> Command:
    """Add ``--simulate``."""
    return click.option(
        "--simulate", is_flag=True, help="Use simulated instruments; marks every record."
    )(command)


def limit_sets_for(settings: Settings, *, simulate: bool) -> LimitSets:
    """The limit sets at hand; the invented workshop's among them where all is simulated."""
    if simulate:
        return demo_limit_sets(settings.limit_sets_folder)
    return load_limit_sets(settings.limit_sets_folder)


@contextmanager
def bench_at_hand(
    ledger: Ledger, settings: Settings, *, simulate: bool, quiet: bool
) -> Iterator[Take]:
    """Open the bench for the block; the function that it gives takes one sample.

    Raises
    ------
    BadInput
        Another program uses the ledger's bench.
    PortMissing, PortBusy, PortForbidden
        An instrument cannot be reached.
    """
    click.echo(f"Caution: {CAUTION}", err=True)
    with ExitStack() as stack:
        stack.enter_context(ledger_in_use(ledger.path, "a command"))
        limit_sets = limit_sets_for(settings, simulate=simulate)
        if simulate:
            demo = ledger.reader.is_demo()
            seed = ledger.reader.counts().entries
            opened = stack.enter_context(
                simulated_bench(ledger, limit_sets, settings, seed=seed, demo=demo)
            )
            yield lambda order: _taken(opened.bench, order, Hands(opened.hands, order.joint), quiet)
            return
        panel = stack.enter_context(open_panel(settings.panel))
        bench = Bench(
            settings=settings,
            ledger=ledger,
            bay=InstrumentBay(settings, None),
            limit_sets=limit_sets,
            connectors=shipped_book(),
            panel=panel,
        )
        stack.callback(bench.close)
        yield lambda order: _taken(bench, order, PersonAtConsole(), quiet)


def _taken(bench: Bench, order: SampleOrder, operator: Operator, quiet: bool) -> SampleOutcome:
    outcome = bench.take_sample(order, operator)
    for line in () if quiet else outcome_lines(outcome):
        click.echo(line)
    return outcome


class Hands:
    """Simulated hands that crimp, clip and pull without a word."""

    def __init__(self, hands: SimulatedHands, joint: Joint) -> None:
        self.stop = threading.Event()
        self._hands = hands
        self._joint = joint

    def clips_on(self) -> None:
        """Crimp a specimen and clip the leads on."""
        self._hands.clip_on(self._joint)

    def sample_gripped(self) -> None:
        """Grip the sample and begin to pull."""
        self._hands.pull()

    def failure_mode(self, suggested: str | None) -> str:  # noqa: ARG002
        """Say what is seen on the sample."""
        return self._hands.failure_mode()


class PersonAtConsole:
    """A person who answers at the keyboard; Ctrl-C gives the sample up."""

    def __init__(self) -> None:
        self.stop = threading.Event()

    def clips_on(self) -> None:
        """Wait for Enter."""
        self._enter(WHAT_TO_DO[Stage.CLIP_ON])

    def sample_gripped(self) -> None:
        """Wait for Enter."""
        self._enter(WHAT_TO_DO[Stage.GRIP])

    def failure_mode(self, suggested: str | None) -> str:
        """Ask how the sample let go."""
        for mode, words in FAILURE_MODES.items():
            click.echo(f"  {mode:<16} {words}", err=True)
        try:
            return str(
                click.prompt(
                    WHAT_TO_DO[Stage.NAME_FAILURE],
                    type=click.Choice(list(FAILURE_MODES)),
                    default=suggested,
                    err=True,
                )
            )
        except click.Abort as error:
            raise SampleAbandoned("given up by the operator: Ctrl-C") from error

    def _enter(self, words: str) -> None:
        try:
            click.prompt(
                f"{words} Enter", default="", show_default=False, prompt_suffix=" ", err=True
            )
        except click.Abort as error:
            raise SampleAbandoned("given up by the operator: Ctrl-C") from error
