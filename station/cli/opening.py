"""Opening what commands on jobs work with: the ledger with its jobs, a bench for one sample."""

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import click

from station.bench.bench import Bench, SampleOutcome
from station.bench.board import WHAT_TO_DO, BenchState, Stage
from station.bench.operator import Operator, SampleAbandoned
from station.cli.ledgers import writing
from station.cli.options import print_aside
from station.crimp.facts import load_connectors, load_limit_sets
from station.crimp.limits import LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import NEWTON_PER_LBF, milliohm, shown_scale
from station.crimp.verdict import condemned_words, verdict_words
from station.instruments.bay import InstrumentBay
from station.instruments.panel.base import BasePanel
from station.instruments.panel.gpio import open_panel
from station.instruments.standstill import WORDS
from station.jobs.open_jobs import OpenJobs
from station.ledger.entries import Joint
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger
from station.settings import Settings, read_settings
from station.simulation import demo as demo_run
from station.simulation.demo import as_the_demo_judges, simulated_bench


@contextmanager
def opened_ledger(
    ledger_path: Path | None, settings_path: Path | None
) -> Iterator[tuple[Ledger, OpenJobs, Settings]]:
    """Open the ledger for writing, with its jobs and the settings in force (BadInput: none)."""
    settings = read_settings(settings_path)
    with writing(ledger_path or settings.ledger) as ledger:
        invented = ledger.reader.is_demo()
        settings = as_the_demo_judges(settings, invented=invented)
        yield ledger, OpenJobs(ledger, settings, demo=invented), settings


def limit_sets_at_hand(ledger: Ledger, settings: Settings, *, simulate: bool) -> LimitSets:
    """The limit sets at hand; the invented workshop's among them where all is invented."""
    if simulate or ledger.reader.is_demo():
        return demo_run.demo_limit_sets(settings.limit_sets_folder, settings.limits)
    return load_limit_sets(settings.limit_sets_folder, settings.limits)


@contextmanager
def real_bench(
    ledger: Ledger, settings: Settings, limit_sets: LimitSets
) -> Iterator[tuple[Bench, BasePanel]]:
    """A bench with the instruments that the settings name, and its panel."""
    pins = settings.panel
    with open_panel(pins) as panel:
        relay = pins is not None and pins.current_reversal_relay is not None
        bench = Bench(
            settings=settings,
            ledger=ledger,
            bay=InstrumentBay(settings, panel.set_current_reversed if relay else None),
            limit_sets=limit_sets,
            connectors=load_connectors(settings.connectors_folder),
            panel=panel,
        )
        with closing(bench):
            yield bench, panel


@contextmanager
def opened_bench(
    ledger: Ledger, settings: Settings, *, simulate: bool, seed: int
) -> Iterator[tuple[Bench, Callable[[Joint], Operator]]]:
    """A bench for samples at the command line, and who works it on a sample of a joint.

    It has the instruments that the settings name, or simulated ones; the ledger is then in use.

    Raises
    ------
    LedgerInUse
        A station runs on this ledger: make the sample on its page.
    """
    limit_sets = limit_sets_at_hand(ledger, settings, simulate=simulate)
    with ExitStack() as stack:
        stack.enter_context(ledger_in_use(ledger.path, "a job at the command line"))
        if simulate:
            demo = ledger.reader.is_demo()
            simulated = stack.enter_context(
                simulated_bench(ledger, limit_sets, settings, seed=seed, demo=demo)
            )
            yield simulated.bench, partial(demo_run.HandsAsOperator, simulated.hands, print_aside)
            return
        bench, _ = stack.enter_context(real_bench(ledger, settings, limit_sets))
        bench.board.listeners.append(_standstill_teller())
        yield bench, lambda _joint: OperatorAtTheTerminal()


def outcome_lines(outcome: SampleOutcome) -> Iterator[str]:
    """A finished sample in a few lines."""
    finished = outcome.finished
    words = verdict_words(finished.verdict, finished.not_judged, finished.only)
    yield f"{finished.verdict.upper()}{words[len(finished.verdict) :]}  sample {outcome.sample_id}"
    yield from (f"    {condemned_words(what)}" for what in finished.condemned_by)
    if finished.void_reason:
        yield f"    {finished.void_reason}"
    if finished.resistance is not None:
        result = finished.resistance
        yield (
            f"    splice {milliohm(result.splice_ohm)} (u {result.u_ohm * 1e3:.3f}), after "
            f"{milliohm(result.wire_share_ohm)} of wire"
        )
    for pull in finished.pulls:
        yield (
            f"    pull {pull.peak_n:.1f} N = {pull.peak_n / NEWTON_PER_LBF:.1f} lbf "
            f"(u {pull.u_n:.2f} N, may be low by {pull.peak_may_be_low_by_n:.2f} N)"
            + (f", {FAILURE_MODES[pull.failure_mode]}" if pull.failure_mode else "")
        )
        yield f"        {pull.how_pulled}"
    for criterion in finished.criteria:
        factor, unit = shown_scale(criterion.unit)
        name, limit = criterion.criterion.replace("_", " "), criterion.limit * factor
        shown = f"{limit:.4g} {unit}".rstrip()
        yield f"    {name}: limit {shown} -> {criterion.verdict}"
        yield f"        {criterion.words} {criterion.note}".rstrip()


def _standstill_teller() -> Callable[[BenchState], None]:
    """Says on the terminal that the force stands still, once each time it does."""
    told: str | None = None

    def look(state: BenchState) -> None:
        nonlocal told
        if state.standstill not in (None, told):
            print_aside(WORDS[state.standstill])
        told = state.standstill

    return look


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
        print_aside(f"{WHAT_TO_DO[Stage.NAME_FAILURE]}{hint}")
        for mode, words in FAILURE_MODES.items():
            print_aside(f"  {mode}: {words}")
        modes = click.Choice(list(FAILURE_MODES))
        return asked("How", type=modes, default=suggested, show_choices=False)

    def _wait(self, stage: Stage) -> None:
        asked(f"{WHAT_TO_DO[stage]} Press Enter", default="", show_default=False)


def asked(question: str, **how: Any) -> str:
    """Ask the operator (SampleAbandoned where they give it up)."""
    try:
        return str(click.prompt(question, err=True, **how))
    except click.Abort:
        raise SampleAbandoned("given up by the operator at the command line") from None
