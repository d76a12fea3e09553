"""Commands that run the bench: demo, serve."""

from contextlib import ExitStack
from datetime import datetime
from pathlib import Path

import click

from station.bench.bench import Bench, SampleOutcome
from station.cli.ledgers import progress_bar
from station.cli.opening import limit_sets_at_hand, outcome_lines, real_bench
from station.cli.options import (
    FILE,
    SIMULATED,
    json_option,
    picked,
    print_aside,
    print_result,
    settings_option,
)
from station.cli.serving import (
    check_named,
    check_reach,
    ended_by_sigterm,
    listening,
    serve_bench,
    simulated_panel,
)
from station.crimp.limits import LimitSets
from station.errors import BadInput, CalibrationNeeded, NestOnHold
from station.files import make_folder
from station.ledger.in_use import ledger_in_use
from station.ledger.store import Ledger
from station.settings import Settings, data_folder, read_settings
from station.shop.trend import NestTrend
from station.shop.trend_cache import worn_nests
from station.simulation import demo as demo_run
from station.simulation.demo import as_the_demo_judges, simulated_bench
from station.simulation.hands import HandsAtTheBench
from station.simulation.history import HistoryWriter
from station.simulation.panel import SimulatedPanel
from station.simulation.service import DEVICE_FAULTS, LINE_FAULTS
from station.text import Say


@click.command(epilog="Example: station demo --days 60 --headless")
@click.option("--days", type=click.IntRange(5, 2000), default=120)
@click.option("--seed", type=click.IntRange(0), default=1)
@click.option("--headless", is_flag=True, help="Leave after the live sample; serve no page.")
@click.option("--host", default="127.0.0.1")
@click.option("--port", type=click.IntRange(0, 65535), default=8000)
@click.option("--ledger", "ledger_path", type=FILE, metavar="FILE")
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
    settings = Settings(host=host, port=port, caliper=demo_run.CALIPER)
    settings = as_the_demo_judges(settings, invented=True)
    say = _voice(as_json)
    limit_sets = demo_run.demo_limit_sets(choice=settings.limits)
    check_named(settings, limit_sets)
    with ExitStack() as stack:
        stack.enter_context(ended_by_sigterm())
        listener = None if headless else stack.enter_context(listening(host, port))
        make_folder(path.parent)
        stack.enter_context(ledger_in_use(path, "the demo"))
        ledger = stack.enter_context(demo_run.open_demo_ledger(path))
        if not headless:
            check_reach(ledger, settings)
        _fill_if_new(ledger, limit_sets, settings, days, seed, as_json)
        say(SIMULATED)
        panel = stack.enter_context(SimulatedPanel())
        simulated = stack.enter_context(
            simulated_bench(ledger, limit_sets, settings, seed=seed, demo=True, panel=panel)
        )
        for sample_id in _void_interrupted(simulated.bench, ledger) if headless else ():
            say(f"Sample {sample_id} was interrupted before: logged as void.")
        outcome = _live_sample(simulated, say, needed=headless)
        if outcome is not None:
            worn = worn_nests(ledger.reader, settings.wear_watch_run_length)
            _report(outcome, worn, path, as_json)
        if outcome is not None and outcome.error is not None:
            print_aside(f"{outcome.error} The sample was logged as void.")
            return 2
        if listener is not None:
            stack.enter_context(HandsAtTheBench(simulated.hands))
            serve_bench(simulated.bench, panel, path, listener)
    return 0


@click.command(epilog="Example: station serve --settings bench.toml")
@settings_option
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
@click.option("--ledger", "ledger_path", type=FILE, metavar="FILE")
def serve(
    settings_path: Path | None, simulate: bool, faults: tuple[str, ...], ledger_path: Path | None
) -> int:
    """Serve the bench's page."""
    settings = read_settings(settings_path)
    if faults and not simulate:
        raise BadInput("--fault is for simulated instruments: use it with --simulate.")
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
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
                simulated_bench(ledger, limit_sets, settings, seed=1, demo=False, panel=panel)
            )
            bench = simulated.bench
            demo_run.befall(simulated.hands, faults)
            stack.enter_context(HandsAtTheBench(simulated.hands))
        else:
            bench, panel = stack.enter_context(real_bench(ledger, settings, limit_sets))
        if settings.share is not None:
            from station.share.beside import Sharing  # an extra

            stack.enter_context(Sharing(path, settings.share, print_aside))
        serve_bench(bench, panel, path, listener)
    return 0


def _voice(as_json: bool) -> Say:
    return (lambda _text: None) if as_json else print_aside


def _fill_if_new(
    ledger: Ledger,
    limit_sets: LimitSets,
    settings: Settings,
    days: int,
    seed: int,
    as_json: bool,
) -> None:
    say = _voice(as_json)
    counts = ledger.reader.counts()
    if counts.entries:
        say(
            f"Keeping the ledger {ledger.path} with its {counts.samples} samples; "
            "--days and --seed apply to a new one only."
        )
        return
    today = datetime.now().astimezone().date()
    what = f"Inventing {days} days of samples"
    with progress_bar(what, quiet=as_json) as tell:
        HistoryWriter(ledger, limit_sets, settings, seed).write(today, days, tell)
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


def _void_interrupted(bench: Bench, ledger: Ledger) -> list[str]:
    rows = ledger.reader.unfinished()
    for row in rows:
        bench.void_unfinished(row.sample_id, row.person, demo_run.INTERRUPTED)
    return [row.sample_id for row in rows]


def _report(outcome: SampleOutcome, worn: list[NestTrend], path: Path, as_json: bool) -> None:
    document = {
        "ledger": str(path),
        "sample_id": outcome.sample_id,
        **picked(outcome.finished, "verdict not_judged only condemned_by void_reason"),
        "sample": outcome.finished.model_dump(mode="json"),
        "worn_nests": [picked(trend, "tool nest") | {"reason": trend.sentence} for trend in worn],
    }
    nests = (f"{trend.tool}, {trend.nest} nest: {trend.sentence}" for trend in worn)
    print_result(as_json, document, [*outcome_lines(outcome), *nests])
