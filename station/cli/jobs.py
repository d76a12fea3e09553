"""Commands on jobs: job due, start, list, status, next, sample, step, end, odds."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import cast

import click

from station.bench.bench import SampleOutcome
from station.cli.bench import SAFETY, outcome_lines
from station.cli.certification_words import tell as tell_certification
from station.cli.job_options import REAL
from station.cli.job_words import (
    due_document,
    echo_lines,
    job_document,
    job_lines,
    row_document,
)
from station.cli.ledger_file import default_ledger
from station.cli.opening import (
    BenchAtHand,
    OpenBook,
    ledger_options,
    opened_bench,
    opened_book,
    read_book,
)
from station.cli.output import json_option, print_json
from station.cli.validation_words import tell as tell_validation
from station.cli.ways import compare
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.files import write_whole
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.open_jobs import JobReadings
from station.jobs.papers.frame import Paper
from station.jobs.papers.of_job import paper_of
from station.jobs.plan_odds import error_lines, plan_errors
from station.jobs.plans import load_plans, plan_named, read_plan
from station.jobs.sample_order import SampleOrder
from station.jobs.step import Content, Todo
from station.ledger.entries import Joint
from station.ledger.job_queries import jobs as jobs_on_record
from station.ledger.queries import LedgerReader
from station.settings import read_settings

_person = click.option("--person", required=True, metavar="NAME", help="Who does it, as on record.")


TELL = {"tool_validation": tell_validation, "certification": tell_certification}
"""Jobs that have a way of their own to be told, and commands of their own."""


@click.group(epilog="Example: station job due")
def job() -> None:
    """Do a whole job: check nests, validate a tool, certify a person."""


@job.command(epilog="Example: station job due --json")
@click.option("--plan", "plan_id", metavar="ID", help="Default: daily-check.")
@ledger_options
@json_option
def due(
    plan_id: str | None, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> None:
    """Say which nests are due for their check today, which are held, and why."""
    with read_book(ledger_path, settings_path) as book:
        plan = plan_named(book.plans(), "daily_check", plan_id)
        found = book.daily.due(cast(DailyCheckPlan, plan))
    if as_json:
        print_json([due_document(item) for item in found])
        return
    for item in found:
        mark = "HELD" if item.last.held else "due" if item.due else "-"
        click.echo(f"{mark:<5} {item.last.tool}, nest {item.last.nest}: {item.reason}")


@job.command(epilog="Example: station job start daily_check --nest Wren/blue --person Benno")
@click.argument("name", metavar="JOB")
@click.option("--nest", "nests", multiple=True, metavar="TOOL/NEST", help="May be repeated.")
@click.option("--plan", "plan_id", metavar="ID", help="Default: the shipped plan of the job.")
@_person
@ledger_options
@json_option
def start(
    name: str,
    nests: tuple[str, ...],
    plan_id: str | None,
    person: str,
    ledger_path: Path | None,
    settings_path: Path | None,
    as_json: bool,
) -> None:
    """Begin a job; its id is printed, and the plan in force is recorded with it."""
    with opened_book(ledger_path, settings_path) as opened:
        asked = {"nests": [list(_place(text)) for text in nests]}
        job_id = opened.book.begin(name, asked, person=person, plan_id=plan_id)
        _show(opened.book, job_id, as_json)


@job.command("list", epilog="Example: station job list --open")
@click.option("--open", "only_open", is_flag=True, help="Only jobs that have not ended.")
@click.option("--limit", type=click.IntRange(1, 1000), default=50, show_default=True)
@click.option("--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@json_option
def list_jobs(only_open: bool, limit: int, path: Path | None, as_json: bool) -> None:
    """List the jobs, newest first."""
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = jobs_on_record(reader, only_open=only_open, limit=limit)
    if as_json:
        print_json([row_document(row) for row in rows])
        return
    for row in rows:
        state = row.outcome if row.ended_seq is not None else "open"
        words = row.job.replace("_", " ")
        click.echo(f"{row.job_id}  {row.at_utc.astimezone():%Y-%m-%d %H:%M}  {words}: {state}")


@job.command(epilog="Example: station job status 0198c2b4")
@click.argument("job_id")
@ledger_options
@json_option
def status(
    job_id: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> None:
    """Show how a job stands; the start of its id will do."""
    with read_book(ledger_path, settings_path) as book:
        _show(book, job_id, as_json)


@job.command("next", epilog="Example: station job next 0198c2b4")
@click.argument("job_id")
@ledger_options
@json_option
def next_thing(
    job_id: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> None:
    """Say what is to be done next."""
    with read_book(ledger_path, settings_path) as book:
        record = book.record(job_id)
        if record.row.job in TELL:
            _show(book, job_id, as_json)
            return
        course = book.course(job_id)
        if as_json:
            print_json(job_document(record, course)["todos"][:1])
        else:
            click.echo("Nothing is left." if course.next is None else course.next.sentence)


@job.command(epilog="Example: station job sample 0198c2b4 --wire '16 AWG' --person Benno")
@click.argument("job_id")
@click.option("--nest", metavar="TOOL/NEST", help="Default: the nest that is next.")
@click.option("--connector", metavar="ID", help="Default: that of the nest's last sample.")
@click.option("--wire", metavar="SIZE", help="Default: that of the nest's last sample.")
@click.option("--wire2", metavar="SIZE", help="The other side, where it differs.")
@click.option("--set", "limit_set", metavar="ID", help="Limit set; default: the settings'.")
@click.option("--count", type=click.IntRange(1, 200), default=1, show_default=True)
@click.option("--simulate", is_flag=True, help="Use simulated instruments; marks every record.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@_person
@ledger_options
@json_option
def sample(
    job_id: str,
    nest: str | None,
    connector: str | None,
    wire: str | None,
    wire2: str | None,
    limit_set: str | None,
    count: int,
    simulate: bool,
    seed: int,
    person: str,
    ledger_path: Path | None,
    settings_path: Path | None,
    as_json: bool,
) -> int:
    """Make samples of a job at the bench; one that was interrupted is made again first."""
    outcomes: list[SampleOutcome] = []
    with opened_book(ledger_path, settings_path) as opened:
        click.echo(SAFETY if simulate else REAL, err=True)
        with opened_bench(opened, simulate=simulate, seed=seed, say=_say) as at_hand:
            for _ in range(count):
                todo = _sample_wanted(opened, job_id, nest)
                joint = _joint(opened, todo, connector, wire, wire2)
                order = _order(opened, job_id, joint, person, limit_set)
                outcomes.append(_take(at_hand, order))
                if opened.book.record(job_id).ended is not None:
                    break
        if as_json:
            record = opened.book.record(job_id)
            print_json(job_document(record, opened.book.course(job_id)))
        else:
            for outcome in outcomes:
                echo_lines(outcome_lines(outcome))
            _show(opened.book, job_id, as_json)
    return 1 if any(item.finished.verdict == "fail" for item in outcomes) else 0


@job.command(epilog="Example: station job step 0198c2b4 crimp-height --set height_mm=1.92 ")
@click.argument("job_id")
@click.argument("step")
@click.option("--set", "given", multiple=True, metavar="NAME=VALUE", help="May be repeated.")
@_person
@ledger_options
@json_option
def step(
    job_id: str,
    step: str,
    given: tuple[str, ...],
    person: str,
    ledger_path: Path | None,
    settings_path: Path | None,
    as_json: bool,
) -> None:
    """Enter something that was done besides a sample."""
    with opened_book(ledger_path, settings_path) as opened:
        opened.book.enter(job_id, step, _content(given), person=person)
        _show(opened.book, job_id, as_json)


@job.command(epilog="Example: station job end 0198c2b4 --person Ottilie")
@click.argument("job_id")
@_person
@ledger_options
@json_option
def end(
    job_id: str, person: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> None:
    """End a job with what it has come to; samples of a check that is broken off still count."""
    with opened_book(ledger_path, settings_path) as opened:
        opened.book.end(job_id, person=person)
        _show(opened.book, job_id, as_json)


@job.command(epilog="Example: station job report 0198c2b4 --out paper.html")
@click.argument("job_id")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
def report(job_id: str, out: Path, paper: Paper, path: Path | None) -> None:
    """Write the paper of a job: one HTML file with its figures inside, to print or to keep."""
    with LedgerReader.open(path or default_ledger()) as reader:
        write_whole(out, paper_of(reader, job_id, paper))
    click.echo(f"Wrote {out}.")


@job.command(epilog="Example: station job odds daily-check --tries 200")
@click.argument("plan")
@click.option("--tries", type=click.IntRange(10, 100_000), default=400, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
@json_option
def odds(plan: str, tries: int, seed: int, settings_path: Path | None, as_json: bool) -> None:
    """Say how often a plan is wrong: an id, or a file of your own.

    Simulated tools and people whose true quality is known are judged by the plan; the share of bad
    ones let through and of good ones turned away is printed with its exact 95 % interval. What is
    simulated is invented: it shows what the plan does, not how your tools are.
    """
    file = Path(plan)
    if file.suffix == ".toml":
        wanted = read_plan(file)
    else:
        known = load_plans(read_settings(settings_path).plans_folder)
        if plan not in known:
            raise BadInput(f"There is no plan {plan!r}: use one of {', '.join(known)}, or a file.")
        wanted = known[plan]
    rates = plan_errors(wanted, tries=tries, seed=seed)
    if as_json:
        print_json({"plan": wanted.id, "rates": [rate.as_dict() for rate in rates]})
        return
    echo_lines(iter(error_lines(wanted.job, rates)))


def _show(book: JobReadings, job_id: str, as_json: bool) -> None:
    record = book.record(job_id)
    tell = TELL.get(record.row.job)
    if tell is not None:
        tell(book.reader, job_id, as_json=as_json)
        return
    course = book.course(job_id)
    if as_json:
        print_json(job_document(record, course))
    else:
        echo_lines(job_lines(record, course))


def _say(text: str) -> None:
    click.echo(text, err=True)


def _place(text: str) -> tuple[str, str]:
    tool, slash, nest = text.partition("/")
    if not (tool and slash and nest):
        raise BadInput(f"{text!r} names no nest: write TOOL/NEST, as in Wren/blue.")
    return tool, nest


def _sample_wanted(opened: OpenBook, job_id: str, nest: str | None) -> Todo:
    todos = [todo for todo in opened.book.course(job_id).todos if todo.kind == "sample"]
    if nest is not None:
        todos = [todo for todo in todos if (todo.tool, todo.nest) == _place(nest)]
    if not todos:
        raise BadInput(f"Job {job_id} wants no such sample: ask it with 'station job next'.")
    return todos[0]


def _joint(
    opened: OpenBook, todo: Todo, connector: str | None, wire: str | None, wire2: str | None
) -> Joint:
    tool, nest = todo.tool or "", todo.nest or ""
    latest = opened.ledger.reader.nest_samples(tool, nest, limit=1)
    wires: Sequence[str] = todo.wires
    if wire is not None:
        wires = (parse_size(wire).label, parse_size(wire2 or wire).label)
    elif latest and not wires:
        wires = latest[0].wires
    connector = connector or todo.connector or (latest[0].connector if latest else None)
    if connector is None or not wires:
        raise BadInput(f"Say which joint with --connector and --wire: {tool}, {nest} has no other.")
    return Joint(connector=connector, wires=tuple(wires), tool=tool, nest=nest)


def _order(
    opened: OpenBook, job_id: str, joint: Joint, person: str, limit_set: str | None
) -> SampleOrder:
    record = opened.book.record(job_id)
    left = [row for row in opened.ledger.reader.unfinished() if row.job_id == record.row.job_id]
    of_plan = record.begun.scope.get("limit_set") or record.begun.plan.get("limit_set")
    chosen = limit_set or (str(of_plan) if of_plan else opened.settings.limit_set)
    order = SampleOrder(person, record.row.job, joint, chosen, job_id=record.row.job_id)
    # One that was interrupted is offered again; what it replaces counts as void.
    return replace(order, offered_again_for=left[0].sample_id) if left else order


def _take(at_hand: BenchAtHand, order: SampleOrder) -> SampleOutcome:
    outcome = at_hand.bench.take_sample(order, at_hand.operator(order.joint))
    if outcome.error is not None:
        click.echo(f"{outcome.error} The sample was logged as void.", err=True)
    return outcome


def _content(given: Sequence[str]) -> Content:
    content: Content = {}
    for text in given:
        name, equals, value = text.partition("=")
        if not (name and equals):
            raise BadInput(f"{text!r} sets nothing: write NAME=VALUE.")
        content[name] = _value(value)
    return content


def _value(text: str) -> str | float | bool:
    if text in ("yes", "no"):
        return text == "yes"
    try:
        return float(text)
    except ValueError:
        return text


job.add_command(compare)

COMMANDS = (job,)
