"""Commands on nests and on work: nest list, since, hold, service, release; work add, list."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from station.cli.ledger_file import default_ledger
from station.cli.opening import ledger_options, opened_book
from station.cli.output import json_option, print_json
from station.cli.signing import signed_by, signing_option
from station.errors import BadInput
from station.ledger.job_queries import HoldRow, WorkRow, holds
from station.ledger.job_queries import work as work_on_record
from station.ledger.queries import LedgerReader
from station.shop.nests import NestBook, since_good_check
from station.shop.rights import Right

_read_ledger = click.option(
    "--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
_person = click.option("--person", required=True, metavar="NAME", help="Who does it, as on record.")


@click.group(epilog="Example: station nest list")
def nest() -> None:
    """Hold nests, enter their service, release them, see what went through them."""


@nest.command("list", epilog="Example: station nest list --json")
@click.option("--all", "every", is_flag=True, help="Those that were released as well.")
@_read_ledger
@json_option
def list_holds(every: bool, path: Path | None, as_json: bool) -> None:
    """List the nests that are held."""
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = holds(reader, only_open=not every)
    if as_json:
        print_json([_hold_document(row) for row in rows])
        return
    for row in rows:
        state = "held" if row.released_seq is None else "was held"
        day = f"{row.at_utc.astimezone():%Y-%m-%d}"
        click.echo(f"{row.tool}, nest {row.nest}: {state} since {day}: {row.reason}")
    if not rows:
        click.echo("No nest is held.")


@nest.command(epilog="Example: station nest since Wren blue")
@click.argument("tool")
@click.argument("nest")
@_read_ledger
@json_option
def since(tool: str, nest: str, path: Path | None, as_json: bool) -> None:
    """List the samples and the work that went through a nest since its last good check."""
    with LedgerReader.open(path or default_ledger()) as reader:
        found = since_good_check(reader, tool, nest)
    if as_json:
        print_json(found.as_document())
        return
    last = "never" if found.check is None else f"{found.check.at_utc.astimezone():%Y-%m-%d %H:%M}"
    click.echo(f"Last good check: {last}")
    for row in found.samples:
        click.echo(f"sample {row.sample_id}  {row.at_utc.astimezone():%Y-%m-%d}  {row.verdict}")
    for line in found.work:
        click.echo(_work_line(line))


@nest.command(epilog="Example: station nest hold Wren blue --reason 'jaw chipped' --person Benno")
@click.argument("tool")
@click.argument("nest")
@click.option("--reason", required=True)
@_person
@ledger_options
def hold(
    tool: str, nest: str, reason: str, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> None:  # fmt: skip
    """Hold a nest: it cannot be used until it is serviced, validated and released."""
    with opened_book(ledger_path, settings_path) as opened:
        opened.book.nests.hold(tool, nest, reason, person)
    click.echo(f"{tool}, nest {nest} is held.")


@nest.command(epilog="Example: station nest service Wren blue --action 'new die' --person Ottilie")
@click.argument("tool")
@click.argument("nest")
@click.option("--action", required=True, help="What was done.")
@signing_option
@ledger_options
def service(tool: str, nest: str, action: str, **signed: Any) -> None:
    """Enter the service of a nest: its trend starts again. A lead signs."""
    with _signed_by_a_lead(**signed) as (nests, signer):
        nests.service(tool, nest, action, signer)
    click.echo(f"The service of {tool}, nest {nest} is on record. Validate it next.")


@nest.command(epilog="Example: station nest release Wren blue --reason 'new die' --person Ottilie")
@click.argument("tool")
@click.argument("nest")
@click.option("--reason", required=True)
@signing_option
@ledger_options
def release(tool: str, nest: str, reason: str, **signed: Any) -> None:
    """Release a held nest, after its service and a new baseline. A lead signs."""
    with _signed_by_a_lead(**signed) as (nests, signer):
        nests.release(tool, nest, reason, signer)
    click.echo(f"{tool}, nest {nest} is released. It is due for its check.")


@contextmanager
def _signed_by_a_lead(
    person: str, ledger_path: Path | None, settings_path: Path | None
) -> Iterator[tuple[NestBook, str]]:
    """The book of nests, after a lead has signed."""
    with opened_book(ledger_path, settings_path) as opened:
        signer = signed_by(opened.ledger, person, Right.RELEASE)
        yield opened.book.nests, signer.name


@click.group(epilog="Example: station work list")
def work() -> None:
    """The work log: which work was crimped in which nest on which day."""


@work.command(epilog="Example: station work add W-117 --nest Wren/blue --person Benno")
@click.argument("work_order")
@click.option("--nest", "place", required=True, metavar="TOOL/NEST")
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Default: today.")
@click.option("--note", default="")
@_person
@ledger_options
def add(
    work_order: str, place: str, day: datetime | None, note: str, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> None:  # fmt: skip
    """Note work that leaves the shop."""
    tool, slash, nest_name = place.partition("/")
    if not slash:
        raise BadInput(f"{place!r} names no nest: write TOOL/NEST, as in Wren/blue.")
    with opened_book(ledger_path, settings_path) as opened:
        opened.book.nests.log_work(
            tool, nest_name, work_order, person, day=None if day is None else day.date(), note=note
        )
    click.echo(f"Work order {work_order} is on record.")


@work.command("list", epilog="Example: station work list --json")
@click.option("--limit", type=click.IntRange(1, 10_000), default=100, show_default=True)
@_read_ledger
@json_option
def list_work(limit: int, path: Path | None, as_json: bool) -> None:
    """List the latest work, oldest first."""
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = work_on_record(reader, limit=limit)
    if as_json:
        print_json([_work_document(row) for row in rows])
        return
    for row in rows:
        click.echo(_work_line(row))


def _hold_document(row: HoldRow) -> dict[str, Any]:
    return {
        "tool": row.tool,
        "nest": row.nest,
        "held_at": row.at_utc.isoformat(),
        "person": row.person,
        "reason": row.reason,
        "needs": row.needs,
        "job_id": row.job_id,
        "released": row.released_seq is not None,
    }


def _work_document(row: WorkRow) -> dict[str, Any]:
    return {
        "day": row.day.isoformat(),
        "work_order": row.work_order,
        "tool": row.tool,
        "nest": row.nest,
        "note": row.note,
        "person": row.person,
    }


def _work_line(row: WorkRow) -> str:
    note = f" ({row.note})" if row.note else ""
    return f"{row.day}  {row.work_order}  {row.tool}, nest {row.nest}{note}, by {row.person}"


COMMANDS = (nest, work)
