"""Commands that run the bench: demo, serve."""

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from station.bench.bench import Bench, SampleOutcome
from station.cli.entrance import check_named, check_reach
from station.cli.opening import limit_sets_at_hand
from station.cli.output import json_option, print_json
from station.cli.serving import (
    ended_by_sigterm,
    listening,
    sentences,
    serve_bench,
    simulated_panel,
)
from station.crimp.facts import shipped_book
from station.crimp.limits import LimitSets
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import NEWTON_PER_LBF
from station.errors import BadInput, CalibrationNeeded, NestOnHold
from station.files import make_folder
from station.instruments.bay import InstrumentBay
from station.instruments.panel.gpio import open_panel
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger
from station.settings import Settings, data_folder, read_settings
from station.shop.trend import NestTrend
from station.shop.trend_cache import worn_nests
from station.simulation import demo as demo_run
from station.simulation.demo import as_the_demo_judges
from station.simulation.hands import HandsAtTheBench
from station.simulation.panel import SimulatedPanel
from station.simulation.service import DEVICE_FAULTS, LINE_FAULTS
from station.text import Say

SAFETY = (
    "Simulated instruments. On a real bench: eye protection, guard closed, nobody in line with "
    "the pull; battery disconnected and the circuit dead before any clip goes on; never on airbag "
    "or other pyrotechnic circuits; a pulled sample is scrap. This program is not a safety "
    "function."
)

_ledger_option = click.option(
    "--ledger", "ledger_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)


@click.command(epilog="Example: station demo --days 60 --headless")
@click.option("--days", type=click.IntRange(5, 2000), default=120, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option("--headless", is_flag=True, help="Leave after the live sample; serve no page.")
@click.option("--host", default="127.0.0.1", show_default=True)
@click.option("--port", type=click.IntRange(0, 65535), default=8000, show_default=True)
@_ledger_option
@json_option
def demo(
    days: int,
    seed: int,
    headless: bool,
    host: str,
    port: int,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """Show the whole job in an invented workshop with simulated instruments."""
    if as_json and not headless:
        raise BadInput("--json prints one document and ends: use it with --headless.")
    path = ledger_path or data_folder() / "demo.ledger"
    settings = as_the_demo_judges(Settings(host=host, port=port), invented=True)
    console = Console(stderr=True, quiet=as_json, highlight=False)
    say = sentences(console)
    limit_sets = demo_run.demo_limit_sets()
    check_named(settings, limit_sets)
    with ExitStack() as stack:
        stack.enter_context(ended_by_sigterm())
        listener = None if headless else stack.enter_context(listening(host, port))
        make_folder(path.parent)
        stack.enter_context(ledger_in_use(path, "the demo"))
        ledger = stack.enter_context(demo_run.open_demo_ledger(path))
        if not headless:
            check_reach(ledger, settings)
        _fill_if_new(ledger, limit_sets, settings, days, seed, console)
        interrupted = _void_interrupted(ledger, limit_sets, settings) if headless else []
        for sample_id in interrupted:
            say(f"Sample {sample_id} was interrupted before: logged as void.")
        say(SAFETY)
        panel = stack.enter_context(SimulatedPanel())
        simulated = stack.enter_context(
            demo_run.simulated_bench(
                ledger, limit_sets, settings, seed=seed, demo=True, panel=panel
            )
        )
        outcome = _live_sample(simulated, say, needed=headless)
        if outcome is not None:
            worn = worn_nests(ledger.reader, settings.wear_watch_run_length)
            _report(outcome, worn, path, as_json)
        if outcome is not None and outcome.error is not None:
            click.echo(f"{outcome.error} The sample was logged as void.", err=True)
            return 2
        if listener is not None:
            stack.enter_context(HandsAtTheBench(simulated.bench.board, simulated.hands))
            serve_bench(simulated.bench, panel, path, listener, say)
    return 0


@click.command(epilog="Example: station serve --settings bench.toml")
@click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
@click.option(
    "--simulate",
    is_flag=True,
    help="Use simulated instruments, in the dialects that the settings name; marks every record.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="meter=NAME|tester=NAME",
    help=f"What goes wrong in the simulation: {', '.join((*LINE_FAULTS, *DEVICE_FAULTS))}.",
)
@_ledger_option
def serve(
    settings_path: Path | None, simulate: bool, faults: tuple[str, ...], ledger_path: Path | None
) -> int:
    """Serve the bench's page."""
    settings = read_settings(settings_path)
    if faults and not simulate:
        raise BadInput("--fault is for simulated instruments: use it with --simulate.")
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
    say = sentences(Console(stderr=True, highlight=False))
    with ExitStack() as stack:
        stack.enter_context(ended_by_sigterm())
        listener = stack.enter_context(listening(settings.host, settings.port))
        make_folder(path.parent)
        stack.enter_context(ledger_in_use(path, "the station"))
        ledger = stack.enter_context(Ledger.open(path, bench=settings.bench))
        settings = as_the_demo_judges(settings, invented=ledger.reader.is_demo())
        limit_sets = limit_sets_at_hand(ledger, settings, simulate=simulate)
        check_named(settings, limit_sets)
        check_reach(ledger, settings)
        if simulate:
            panel = stack.enter_context(simulated_panel(settings.panel))
            simulated = stack.enter_context(
                demo_run.simulated_bench(
                    ledger, limit_sets, settings, seed=1, demo=False, panel=panel
                )
            )
            bench = simulated.bench
            demo_run.befall(simulated.hands, faults)
            stack.enter_context(HandsAtTheBench(bench.board, simulated.hands))
        else:
            panel = stack.enter_context(open_panel(settings.panel))
            relay = settings.panel is not None and settings.panel.current_reversal_relay is not None
            bench = Bench(
                settings=settings,
                ledger=ledger,
                bay=InstrumentBay(settings, panel.set_current_reversed if relay else None),
                limit_sets=limit_sets,
                connectors=shipped_book(),
                panel=panel,
            )
            stack.callback(bench.close)
        serve_bench(bench, panel, path, listener, say)
    return 0


def _fill_if_new(
    ledger: Ledger,
    limit_sets: LimitSets,
    settings: Settings,
    days: int,
    seed: int,
    console: Console,
) -> None:
    say = sentences(console)
    counts = ledger.reader.counts()
    if counts.entries:
        say(
            f"Keeping the ledger {ledger.path} with its {counts.samples} samples; "
            "--days and --seed apply to a new one only."
        )
        return
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task(f"Inventing {days} days of samples", total=None)
        demo_run.fill(
            ledger,
            limit_sets,
            settings,
            today=datetime.now().astimezone().date(),
            days=days,
            seed=seed,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )
    counts = ledger.reader.counts()
    say(f"Invented {counts.samples} samples in {ledger.path} (all marked as demo).")


def _live_sample(
    simulated: demo_run.SimulatedBench, say: Say, *, needed: bool
) -> SampleOutcome | None:
    """Take the live sample; None where none may be made now, which the page can change."""
    try:
        return demo_run.take_live_sample(simulated, say)
    except (NestOnHold, CalibrationNeeded, BadInput) as refused:
        if needed:
            raise
        say(f"No live sample is made now. {refused}")
        return None


def _void_interrupted(ledger: Ledger, limit_sets: LimitSets, settings: Settings) -> list[str]:
    bench = Bench(
        settings=settings,
        ledger=ledger,
        bay=InstrumentBay(Settings()),
        limit_sets=limit_sets,
        connectors=shipped_book(),
        demo=True,
    )
    rows = ledger.reader.unfinished()
    for row in rows:
        bench.void_unfinished(row.sample_id, row.person, demo_run.INTERRUPTED)
    return [row.sample_id for row in rows]


def _report(outcome: SampleOutcome, worn: list[NestTrend], path: Path, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "sample_id": outcome.sample_id,
                "verdict": outcome.finished.verdict,
                "void_reason": outcome.finished.void_reason,
                "sample": outcome.finished.model_dump(mode="json"),
                "worn_nests": [
                    {"tool": trend.tool, "nest": trend.nest, "reason": trend.sentence}
                    for trend in worn
                ],
            }
        )
        return
    for line in outcome_lines(outcome):
        click.echo(line)
    for trend in worn:
        click.echo(f"{trend.tool}, {trend.nest} nest: {trend.sentence}")


def outcome_lines(outcome: SampleOutcome) -> Iterator[str]:
    """A finished sample in a few lines."""
    finished = outcome.finished
    yield f"{finished.verdict.upper()}  sample {outcome.sample_id}"
    if finished.void_reason:
        yield f"    {finished.void_reason}"
    if finished.resistance is not None:
        result = finished.resistance
        yield (
            f"    splice {result.splice_ohm * 1e3:.3f} mΩ (u {result.u_ohm * 1e3:.3f}), after "
            f"{result.wire_share_ohm * 1e3:.3f} mΩ of wire"
        )
    if finished.pull is not None:
        pull = finished.pull
        yield (
            f"    pull {pull.peak_n:.1f} N = {pull.peak_n / NEWTON_PER_LBF:.1f} lbf "
            f"(u {pull.u_n:.2f} N, may be low by {pull.peak_may_be_low_by_n:.2f} N)"
            + (f", {FAILURE_MODES[pull.failure_mode]}" if pull.failure_mode else "")
        )
    for criterion in finished.criteria:
        scale = {"N": ("N", 1.0), "ohm": ("mΩ", 1e3), "V": ("mV", 1e3)}.get(
            criterion.unit, (criterion.unit, 1.0)
        )
        yield (
            f"    {criterion.criterion.replace('_', ' ')}: limit "
            f"{criterion.limit * scale[1]:.4g} {scale[0]} ({finished.limit_set}) -> "
            f"{criterion.verdict}"
        )


COMMANDS = (demo, serve)
