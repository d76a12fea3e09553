"""Commands that validate a tool: validate begin, status, nest-gauge, crimp-height, sample, end."""

from datetime import UTC, datetime
from pathlib import Path

import click

from station.cli.bench import SAFETY, outcome_lines
from station.cli.job_options import (
    REAL,
    begin_options,
    person_option,
    simulate_option,
)
from station.cli.job_words import echo_lines
from station.cli.opening import (
    ledger_options,
    limit_sets_at_hand,
    opened_bench,
    opened_book,
    read_book,
)
from station.cli.output import json_option
from station.cli.signing import signed_by, signing_option
from station.cli.validation_words import tell
from station.crimp.connectors import connector_named
from station.crimp.facts import shipped_book, shipped_connectors
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.jobs.plans import plan_named
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.record import (
    JOB,
    Validation,
    begin_validation,
    end_validation,
    enter_crimp_heights,
    enter_nest_gauge,
    order_for,
    read_validation,
)
from station.jobs.validation.steps import ValidationScope
from station.ledger.entries import Joint
from station.shop.rights import Right
from station.shop.sign_in import active_person


@click.group(epilog="Example: station validate status 0190")
def validate() -> None:
    """Validate a crimp tool: enough samples of each joint, judged when all are there."""


@validate.command(
    epilog='Example: station validate begin Egret --joint "butt-splice-red; 18 AWG; red" '
    "--replaces Wren --person Benno"
)
@click.argument("tool")
@click.option(
    "--joint", "joints", multiple=True, required=True, metavar='"CONNECTOR; WIRE[+WIRE]; NEST"',
    help="What the tool is used for; one wire size counts for every barrel. May be repeated.",
)  # fmt: skip
@click.option("--replaces", metavar="TOOL", help="The tool whose place it takes, to compare with.")
@begin_options
@person_option
@ledger_options
@json_option
def begin(
    tool: str,
    joints: tuple[str, ...],
    replaces: str | None,
    plan_id: str | None,
    limit_set: str | None,
    simulate: bool,
    person: str,
    ledger_path: Path | None,
    settings_path: Path | None,
    as_json: bool,
) -> int:
    """Begin a validation and print its id."""
    with opened_book(ledger_path, settings_path) as opened:
        active_person(opened.ledger.reader, person)
        settings = opened.settings
        plan = plan_named(opened.book.plans(), JOB, plan_id)
        if not isinstance(plan, ToolValidationPlan):
            raise BadInput(f"{plan.id} is no plan of a tool validation.")
        scope = ValidationScope(
            tool,
            tuple(joint_from(text, tool) for text in joints),
            limit_set or plan.limit_set or settings.limit_set,
            settings.guard,
            replaces,
        )
        sets = limit_sets_at_hand(opened.ledger, opened.settings, simulate=simulate)
        job_id = begin_validation(opened.ledger, plan, scope, sets, person=person)
        tell(opened.ledger.reader, job_id, as_json=as_json)
    return 0


def joint_from(text: str, tool: str) -> Joint:
    """Read ``CONNECTOR; WIRE[+WIRE]; NEST`` (BadInput, UnknownSize, DataFileError)."""
    parts = [part.strip() for part in text.split(";")]
    if len(parts) != 3 or not all(parts):
        raise BadInput(f'{text!r} is no joint: write "CONNECTOR; WIRE[+WIRE]; NEST".')
    connector = connector_named(shipped_connectors(), parts[0])
    wires = [parse_size(wire).label for wire in parts[1].split("+")]
    family = shipped_book().family_of(connector)
    if len(wires) == 1:
        wires *= family.wires_per_barrel if family.barrels == 1 else 2
    return Joint(connector=connector.id, wires=tuple(wires), tool=tool, nest=parts[2])


@validate.command(epilog="Example: station validate status 0190 --json")
@click.argument("job_id", metavar="ID")
@ledger_options
@json_option
def status(job_id: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool) -> int:
    """Say how a validation stands and what comes next."""
    with read_book(ledger_path, settings_path) as book:
        tell(book.reader, job_id, as_json=as_json)
    return 0


@validate.command(
    "nest-gauge",
    epilog="Example: station validate nest-gauge 0190 red --gauge G-7 --go --no-go --person Benno",
)
@click.argument("job_id", metavar="ID")
@click.argument("nest")
@click.option("--gauge", default="", help="Which gauge; leave out where the shop has none.")
@click.option("--go/--go-does-not-enter", "go_enters", default=False)
@click.option("--no-go/--no-go-does-not-stop", "no_go_stops", default=False)
@person_option
@ledger_options
def nest_gauge(
    job_id: str, nest: str, gauge: str, go_enters: bool, no_go_stops: bool, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> int:  # fmt: skip
    """Enter a look at a nest with a go/no-go gauge, or that there is none; exit 1 if it is bad."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        active_person(ledger.reader, person)
        job = read_validation(ledger.reader, job_id)
        look = enter_nest_gauge(
            ledger, job, nest, gauge, go_enters=go_enters, no_go_stops=no_go_stops, person=person
        )
    click.echo(look.words)
    return 1 if look.good is False else 0


@validate.command(
    "crimp-height",
    epilog="Example: station validate crimp-height 0190 --joint 1 --height 2.01 --height 2.03 "
    "--height 1.99 --lower 1.9 --upper 2.1 --person Benno",
)
@click.argument("job_id", metavar="ID")
@click.option("--joint", "number", type=click.IntRange(1), required=True, help="Which, from 1.")
@click.option("--height", "heights", type=float, multiple=True, help="In mm. May be repeated.")
@click.option("--lower", type=float, default=0.0, help="By the terminal's data sheet, in mm.")
@click.option("--upper", type=float, default=0.0, help="By the terminal's data sheet, in mm.")
@person_option
@ledger_options
def crimp_height(
    job_id: str, number: int, heights: tuple[float, ...], lower: float, upper: float, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> int:  # fmt: skip
    """Enter crimp heights, or by no height that they are not measured; exit 1 if one is off."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        active_person(ledger.reader, person)
        job = read_validation(ledger.reader, job_id)
        key = _numbered(job, number).key
        look = enter_crimp_heights(ledger, job, key, heights, lower, upper, person=person)
    click.echo(look.words)
    return 1 if look.good is False else 0


def _numbered(job: Validation, number: int) -> Joint:
    if number > len(job.scope.joints):
        raise BadInput(f"There are {len(job.scope.joints)} joints: {number} is none of them.")
    return job.scope.joints[number - 1]


@validate.command(epilog="Example: station validate sample 0190 --count 5 --person Benno")
@click.argument("job_id", metavar="ID")
@click.option("--joint", "number", type=click.IntRange(1), help="Default: the first unfinished.")
@click.option("--count", type=click.IntRange(1, 1000), default=1, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@person_option
@simulate_option
@ledger_options
def sample(
    job_id: str,
    number: int | None,
    count: int,
    seed: int,
    person: str,
    simulate: bool,
    ledger_path: Path | None,
    settings_path: Path | None,
) -> int:
    """Take the next samples of a validation at the bench; exit 1 if one fails."""
    failed = False
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        active_person(ledger.reader, person)
        click.echo(SAFETY if simulate else REAL, err=True)
        with opened_bench(opened, simulate=simulate, seed=seed, say=say_aside) as at_hand:
            for _ in range(count):
                job = read_validation(ledger.reader, job_id)
                key = None if number is None else _numbered(job, number).key
                order = order_for(ledger, job, key, person=person, now=datetime.now(UTC))
                outcome = at_hand.bench.take_sample(order, at_hand.operator(order.joint))
                echo_lines(outcome_lines(outcome))
                failed |= outcome.finished.verdict == "fail"
    return 1 if failed else 0


@validate.command(epilog="Example: station validate end 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@click.option("--give-up", is_flag=True, help="End it unfinished: what is open is not accepted.")
@signing_option
@ledger_options
@json_option
def end(
    job_id: str, give_up: bool, person: str, ledger_path: Path | None, settings_path: Path | None,
    as_json: bool,
) -> int:  # fmt: skip
    """End a validation, as a lead, and set the baselines; exit 1 unless all was accepted."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        job = read_validation(ledger.reader, job_id)
        signer = signed_by(ledger, person, Right.SIGN_OFF)
        ended = end_validation(ledger, job, signer, give_up=give_up)
        tell(ledger.reader, job_id, as_json=as_json)
    return 0 if ended.outcome == "accepted" else 1


def say_aside(text: str) -> None:
    """Say what the hands do, beside the result."""
    click.echo(text, err=True)


COMMANDS = (validate,)
