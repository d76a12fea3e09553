"""Commands on tools: tool add, tool list."""

from pathlib import Path

import click

from station.cli.ledger_file import default_ledger
from station.cli.opening import ledger_options, opened_book
from station.cli.output import json_option, print_json
from station.ledger.queries import LedgerReader
from station.shop.sign_in import active_person
from station.shop.tools import described_tool


@click.group(epilog="Example: station tool list")
def tool() -> None:
    """Put tools and their nests on record, and list them."""


@tool.command(epilog="Example: station tool add Wren --nest red --nest blue --person 'Bo Invented'")
@click.argument("name")
@click.option(
    "--nest", "nests", multiple=True, required=True, metavar="NEST",
    help="A die cavity, as people call it; once for each.",
)  # fmt: skip
@click.option("--description", default="", help="What tool it is.")
@click.option("--person", required=True, metavar="NAME", help="Who does it, as on record.")
@ledger_options
def add(
    name: str, nests: tuple[str, ...], description: str, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> None:  # fmt: skip
    """Put a tool on record, or add nests to one that is."""
    with opened_book(ledger_path, settings_path) as opened:
        reader = opened.ledger.reader
        active_person(reader, person)
        added = described_tool(reader, name, nests, description)
        marked = added.model_copy(update={"demo": reader.is_demo()})
        opened.ledger.append(marked, person=person)
    click.echo(f"{added.tool} is on record with {', '.join(added.nests)}. Validate it next.")


@tool.command("list", epilog="Example: station tool list --json")
@click.option("--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@json_option
def list_tools(path: Path | None, as_json: bool) -> None:
    """List the tools on record with their nests."""
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = reader.tools()
    if as_json:
        print_json(
            [
                {"tool": row.tool, "nests": list(row.nests), "description": row.description}
                for row in rows
            ]
        )
        return
    for row in rows:
        click.echo(f"{row.tool}: {', '.join(row.nests)}" + f"  {row.description}".rstrip())
    if not rows:
        click.echo("No tool is on record: put one there with station tool add.")


COMMANDS = (tool,)
