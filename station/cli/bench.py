"""Commands that run the bench: demo, serve."""

import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress

from station.bay import InstrumentBay
from station.bench import Bench, SampleOutcome
from station.cli.output import json_option, print_json
from station.datafiles import load_limit_sets, shipped_book
from station.demo import run as demo_run
from station.demo.hands import HandsAtTheBench
from station.demo.run import Say
from station.demo.workshop import LIMIT_SET
from station.errors import AddressTaken, BadInput
from station.ledger.store import Ledger
from station.limits import LimitSets
from station.overview import worn_nests
from station.pull import FAILURE_MODES
from station.settings import Settings, data_folder, read_settings
from station.trends import NestTrend
from station.units import NEWTON_PER_LBF

SAFETY = (
    "Simulated instruments. On a real bench: eye protection, guard closed, nobody in line with "
    "the pull; battery disconnected and the circuit dead before any clip goes on; never on airbag "
    "or other pyrotechnic circuits; a pulled sample is scrap. This program is not a safety "
    "function."
)

DEMO_RUN_LENGTH = 100_000
"""The demo's wear watch: its few good nests must not cry wolf while somebody looks."""

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
    settings = Settings(
        host=host, port=port, limit_set=LIMIT_SET, wear_watch_run_length=DEMO_RUN_LENGTH
    )
    console = Console(stderr=True, quiet=as_json, highlight=False)
    say = sentences(console)
    with ExitStack() as stack:
        stack.enter_context(ended_by_sigterm())
        listener = None if headless else stack.enter_context(listening(host, port))
        ledger = stack.enter_context(demo_run.open_demo_ledger(path))
        limit_sets = demo_run.demo_limit_sets()
        _fill_if_new(ledger, limit_sets, settings, days, seed, console)
        interrupted = _void_interrupted(ledger, limit_sets, settings) if headless else []
        for sample_id in interrupted:
            say(f"Sample {sample_id} was interrupted before: logged as void.")
        say(SAFETY)
        simulated = stack.enter_context(
            demo_run.simulated_bench(ledger, limit_sets, settings, seed=seed, demo=True)
        )
        outcome = demo_run.take_live_sample(simulated, say)
        worn = worn_nests(ledger.reader, settings.wear_watch_run_length)
        _report(outcome, worn, path, as_json)
        if outcome.error is not None:
            click.echo(f"{outcome.error} The sample was logged as void.", err=True)
            return 2
        if listener is not None:
            stack.enter_context(HandsAtTheBench(simulated.bench.board, simulated.hands))
            serve_page(simulated.bench, path, listener, say)
    return 0


@click.command(epilog="Example: station serve --settings bench.toml")
@click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
@click.option("--simulate", is_flag=True, help="Use simulated instruments; marks every record.")
@_ledger_option
def serve(settings_path: Path | None, simulate: bool, ledger_path: Path | None) -> int:
    """Serve the bench's page."""
    settings = read_settings(settings_path)
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
    console = Console(stderr=True, highlight=False)
    with ExitStack() as stack:
        stack.enter_context(ended_by_sigterm())
        listener = stack.enter_context(listening(settings.host, settings.port))
        demo_run.make_folder(path.parent)
        ledger = stack.enter_context(Ledger.open(path, bench=settings.bench))
        if simulate:
            limit_sets = demo_run.demo_limit_sets(settings.limit_sets_folder)
            simulated = stack.enter_context(
                demo_run.simulated_bench(ledger, limit_sets, settings, seed=1, demo=False)
            )
            bench = simulated.bench
            stack.enter_context(HandsAtTheBench(bench.board, simulated.hands))
        else:
            bench = Bench(
                settings=settings,
                ledger=ledger,
                bay=InstrumentBay(settings.meter, settings.tester),
                limit_sets=load_limit_sets(settings.limit_sets_folder),
                connectors=shipped_book(),
            )
            stack.callback(bench.close)
        serve_page(bench, path, listener, sentences(console))
    return 0


@contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """Turn SIGTERM into a normal leave, so that ports and simulators are released."""

    def leave(_signal: int, _frame: FrameType | None) -> None:
        sys.exit(0)

    previous = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, previous)


@contextmanager
def listening(host: str, port: int) -> Iterator[socket.socket]:
    """Take the page's address before anything long is done.

    Raises
    ------
    AddressTaken
        Another program has it, or it is not an address of this machine.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
            listener.listen(128)
        except OSError as error:
            raise AddressTaken(
                f"The page cannot be served on {host} port {port} ({error.strerror}): stop the "
                "program that has it, or choose another with --port or in the settings."
            ) from error
        yield listener
    finally:
        listener.close()


def serve_page(bench: Bench, path: Path, listener: socket.socket, say: Say) -> None:
    """Serve the page until the person stops it."""
    import waitress.server

    from web import create_app

    app = create_app(bench, path)
    server: Any = waitress.server.create_server(app, sockets=[listener], threads=8)
    host, port = listener.getsockname()
    say(f"The page is on http://{host}:{port}/ - Ctrl-C ends it.")
    try:
        server.run()
    except KeyboardInterrupt:
        say("Stopped.")
    finally:
        server.close()


def sentences(console: Console) -> Say:
    """A way to print plain sentences, unbroken, to the person at the console."""
    return lambda text: console.print(text, soft_wrap=True, markup=False)


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


def _void_interrupted(ledger: Ledger, limit_sets: LimitSets, settings: Settings) -> list[str]:
    bench = Bench(
        settings=settings,
        ledger=ledger,
        bay=InstrumentBay(None, None),
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
            f"{criterion.limit * scale[1]:.4g} {scale[0]} -> {criterion.verdict}"
        )


COMMANDS = (demo, serve)
