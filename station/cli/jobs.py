"""Commands on jobs: job due, start, list, sample, report, odds."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import click

from station.bench.bench import SampleOutcome
from station.cli.ledgers import reading
from station.cli.limits import looks_said
from station.cli.opening import asked, opened_bench, opened_ledger, outcome_lines
from station.cli.options import (
    FILE,
    REAL,
    SIMULATED,
    bench_options,
    json_option,
    ledger_option,
    person_option,
    picked,
    print_aside,
    print_lines,
    print_result,
    record_options,
    settings_option,
)
from station.crimp.connectors import ConnectorBook, connector_named
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.files import write_whole
from station.jobs.daily.judge import Nest
from station.jobs.daily.let_through import let_through, let_through_lines
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.record import demand_daily
from station.jobs.daily.record import due as due_nests
from station.jobs.daily.record import order as order_of_check
from station.jobs.daily.steps import DueNest
from station.jobs.open_jobs import OpenJobs, state_of_job
from station.jobs.papers.frame import Paper
from station.jobs.papers.of_job import paper_of
from station.jobs.plan_odds import error_lines, plan_errors
from station.jobs.plans import chosen_plan, load_plans, read_plan
from station.jobs.step import JobState, Step
from station.ledger.entries import Joint
from station.ledger.jobs import job_record
from station.ledger.jobs import jobs as jobs_on_record
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRecord, JobRow
from station.settings import read_settings
from station.simulation.demo import as_the_demo_judges
from station.simulation.workshop import good_looks

ON_THE_PAGE = ("tool_validation", "certification")
"""Jobs that take people, looks and signatures as well as samples."""


@click.group(epilog="Example: station job due")
def job() -> None:
    """Check nests; list all jobs and write their papers."""


@job.command(epilog="Example: station job due --json")
@click.option("--plan", "plan_id", metavar="ID", help="Default: the setting daily_plan.")
@bench_options
def due(
    plan_id: str | None, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> None:
    """Say which nests are due for their check today, which are held, and why."""
    settings = read_settings(settings_path)
    with reading(ledger_path or settings.ledger) as reader:
        settings = as_the_demo_judges(settings, invented=reader.is_demo())
        plan = chosen_plan(settings, DailyCheckPlan, plan_id)
        found = due_nests(reader, plan, datetime.now(UTC))
    print_result(as_json, [_due_document(item) for item in found], map(_due_line, found))


@job.command(epilog="Example: station job start daily_check --nest Wren/blue --person Benno")
@click.argument("name", metavar="JOB")
@click.option("--nest", "nests", multiple=True, metavar="TOOL/NEST", help="May be repeated.")
@click.option("--plan", "plan_id", metavar="ID", help="Default: the setting daily_plan.")
@person_option
@bench_options
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
    _demand_done_here(name)
    with opened_ledger(ledger_path, settings_path) as (ledger, jobs, _):
        places = [_place(text) for text in nests]
        job_id = jobs.begin_check(places, person=person, plan_id=plan_id)
        _show(ledger.reader, job_id, as_json)


@job.command("list", epilog="Example: station job list --open")
@click.option("--open", "only_open", is_flag=True, help="Only jobs that have not ended.")
@click.option("--limit", type=click.IntRange(1, 1000), default=50)
@record_options
def list_jobs(only_open: bool, limit: int, ledger_path: Path | None, as_json: bool) -> None:
    """List the jobs, newest first."""
    with reading(ledger_path) as reader:
        rows = jobs_on_record(reader, only_open=only_open, limit=limit)
    print_result(as_json, [_row_document(row) for row in rows], map(_row_line, rows))


@job.command(epilog="Example: station job sample 0198c2b4 --wire '16 AWG' --person Benno")
@click.argument("job_id")
@click.option("--nest", metavar="TOOL/NEST", help="Default: the nest that is next.")
@click.option("--connector", metavar="ID", help="Default: that of the nest's last sample.")
@click.option("--wire", metavar="SIZE", help="Default: that of the nest's last sample.")
@click.option("--wire2", metavar="SIZE", help="The second wire, where it differs.")
@click.option(
    "--set",
    "limit_set",
    metavar="ID",
    help="A set that alone judges; default: the limits in force.",
)
@click.option(
    "said", "--look", multiple=True, metavar="ID=yes|no", help="What was seen; else asked."
)
@click.option("--count", type=click.IntRange(1, 200), default=1)
@click.option("--simulate", is_flag=True, help="Use simulated instruments; marks every record.")
@click.option("--seed", type=click.IntRange(0), default=1)
@person_option
@bench_options
def sample(
    job_id: str,
    nest: str | None,
    connector: str | None,
    wire: str | None,
    wire2: str | None,
    limit_set: str | None,
    said: tuple[str, ...],
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
    with opened_ledger(ledger_path, settings_path) as (ledger, jobs, settings):
        reader = ledger.reader
        _demand_done_here(jobs.record(job_id).row.job)
        print_aside(SIMULATED if simulate else REAL)
        opening = opened_bench(ledger, settings, simulate=simulate, seed=seed)
        with opening as (bench, operator_of):
            for _ in range(count):
                step = _sample_wanted(jobs, job_id, nest)
                joint = _joint(reader, bench.connectors, step, connector, wire, wire2)
                order = order_of_check(reader, job_id, joint, person=person, limit_set=limit_set)
                looks = _looked_at(bench.connectors, joint, looks_said(said), simulate=simulate)
                order = replace(order, checklist=looks)
                outcome = bench.take_sample(order, operator_of(joint))
                outcomes.append(outcome)
                if outcome.error is not None:
                    print_aside(f"{outcome.error} The sample was logged as void.")
                if jobs.record(job_id).ended is not None:
                    break
        if not as_json:
            print_lines(chain.from_iterable(map(outcome_lines, outcomes)))
        _show(reader, job_id, as_json)
    return 1 if any(item.finished.verdict == "fail" for item in outcomes) else 0


@job.command(epilog="Example: station job report 0198c2b4 --out paper.html")
@click.argument("job_id")
@click.option("--out", type=FILE, required=True)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4")
@ledger_option
def report(job_id: str, out: Path, paper: Paper, ledger_path: Path | None) -> None:
    """Write the paper of a job: one HTML file with its figures inside, to print or to keep."""
    with reading(ledger_path) as reader:
        write_whole(out, paper_of(reader, job_id, paper))
    click.echo(f"Wrote {out}.")


@job.command(epilog="Example: station job odds daily-check --tries 40")
@click.argument("plan")
@click.option("--tries", type=click.IntRange(10, 100_000), default=400)
@click.option("--crimps-a-day", type=click.FloatRange(0.0, 1e5), default=25.0, help="Of one nest.")
@click.option("--seed", type=click.IntRange(0), default=1)
@settings_option
@json_option
def odds(
    plan: str, tries: int, crimps_a_day: float, seed: int, settings_path: Path | None, as_json: bool
) -> None:  # fmt: skip
    """Say how often a plan is wrong: an id, or a file of your own.

    Simulated tools and people whose true quality is known are judged by the plan; the share of bad
    ones let through and of good ones turned away is printed with its exact 95 % interval. Of a
    daily check also the bad crimps that leave the shop before a nest is found, and the crimps that
    the checks take, beside every other daily plan. What is simulated is invented: it shows what the
    plan does, not how your tools are.
    """
    file = Path(plan)
    known = load_plans(read_settings(settings_path).plans_folder)
    if file.suffix == ".toml":
        wanted = read_plan(file)
    else:
        if plan not in known:
            raise BadInput(f"There is no plan {plan!r}: use one of {', '.join(known)}, or a file.")
        wanted = known[plan]
    rates = plan_errors(wanted, tries=tries, seed=seed)
    daily = [one for one in (wanted, *known.values()) if isinstance(one, DailyCheckPlan)]
    beside = {one.id: one for one in daily if wanted.job == one.job}
    through = [let_through(one, crimps_a_day, tries=tries, seed=seed) for one in beside.values()]
    document = {
        "plan": wanted.id, "rates": [rate.as_dict() for rate in rates], "let_through": through
    }  # fmt: skip
    tables = chain.from_iterable(map(let_through_lines, through))
    print_result(as_json, document, [*error_lines(wanted.job, rates), *tables])


def _show(reader: LedgerReader, job_id: str, as_json: bool) -> None:
    record, state = job_record(reader, job_id), state_of_job(reader, job_id)
    print_result(as_json, _job_document(record, state), _job_lines(record, state))


def _demand_done_here(name: str) -> None:
    if name in ON_THE_PAGE:
        words = name.replace("_", " ")
        raise BadInput(f"A {words} is done on the page: open Jobs there.")
    demand_daily(name)


def _place(text: str) -> Nest:
    tool, slash, nest = text.partition("/")
    if not (tool and slash and nest):
        raise BadInput(f"{text!r} names no nest: write TOOL/NEST, as in Wren/blue.")
    return tool, nest


def _sample_wanted(jobs: OpenJobs, job_id: str, nest: str | None) -> Step:
    steps = jobs.state(job_id).steps
    if nest is not None:
        steps = tuple(step for step in steps if (step.tool, step.nest) == _place(nest))
    if not steps:
        raise BadInput(f"Job {job_id} wants no such sample: Jobs on the page says what is next.")
    return steps[0]


def _joint(
    reader: LedgerReader, book: ConnectorBook, step: Step, named: str | None, *wires: str | None
) -> Joint:
    tool, nest = step.tool or "", step.nest or ""
    latest = [row.joint for row in reader.nest_samples(tool, nest, limit=1)]
    first, second = (None if wire is None else parse_size(wire) for wire in wires)
    named = named or (latest[0].connector if latest else None)
    if named is None or not (first or latest):
        raise BadInput(f"Say which joint with --connector and --wire: {tool}, {nest} has no other.")
    if first is None:
        return latest[0].model_copy(update={"connector": named})
    made_of = book.joint_wires(connector_named(book.connectors, named), first, second)
    return Joint(connector=named, wires=made_of, tool=tool, nest=nest)


def _looked_at(
    book: ConnectorBook, joint: Joint, given: dict[str, str], *, simulate: bool
) -> dict[str, bool]:
    """What was seen, and asked of what nobody said; simulated hands see a good joint."""
    answers = {name: answer == "yes" for name, answer in given.items()}
    if simulate:
        return good_looks(joint) | answers
    for item in book.checklist(connector_named(book.connectors, joint.connector)):
        if item.id not in answers:
            question = f"{item.question} yes, no, or Enter where it was not looked at"
            answer = asked(question, type=click.Choice(["yes", "no", ""]), default="")
            answers |= {item.id: answer == "yes"} if answer else {}
    return answers


def _row_line(row: JobRow) -> str:
    state = row.outcome if row.ended_seq is not None else "open"
    began = f"{row.at_utc.astimezone():%Y-%m-%d %H:%M}"
    return f"{row.job_id}  {began}  {row.job.replace('_', ' ')}: {state}"


def _due_line(found: DueNest) -> str:
    mark = "HELD" if found.last.held else "due" if found.due else "-"
    return f"{mark:<5} {found.last.tool}, nest {found.last.nest}: {found.reason}"


def _row_document(row: JobRow) -> dict[str, Any]:
    return picked(row, "job_id job person outcome demo") | {
        "plan": row.plan_id,
        "begun_at": row.at_utc.isoformat(),
        "ended": row.ended_seq is not None,
    }


def _job_document(record: JobRecord, state: JobState) -> dict[str, Any]:
    ended = record.ended
    return _row_document(record.row) | {
        "reasons": None if ended is None else list(ended.reasons),
        "figures": None if ended is None else ended.figures,
        "lines": list(state.lines),
        "todos": [_step_document(step) for step in state.steps],
        "samples": [
            picked(row, "sample_id step nest verdict not_judged only peak_n splice_ohm")
            for row in record.samples
        ],
        "steps": [
            {"step": taken.step.step, "person": taken.person, "content": taken.step.content}
            for taken in record.steps
        ],
    }


def _step_document(step: Step) -> dict[str, Any]:
    # Connector and wires are the person's to choose.
    return picked(step, "left tool nest") | {
        "kind": "sample",
        "step": step.name,
        "sentence": step.words,
        "connector": None,
        "wires": [],
    }


def _job_lines(record: JobRecord, state: JobState) -> Iterator[str]:
    row = record.row
    yield f"{row.job.replace('_', ' ')} {row.job_id}, plan {row.plan_id}, begun by {row.person}"
    for line in state.lines:
        yield f"    {line}"
    if state.next is not None:
        yield f"Next: {state.next.words}"


def _due_document(found: DueNest) -> dict[str, Any]:
    return picked(found.last, "tool nest") | {
        "due": found.due,
        "held": found.last.held is not None,
        "reason": found.reason,
    }
