"""Command that says what is known of a connector: connectors."""

import click

from station.cli.output import json_option, print_json
from station.crimp.connectors import (
    Connector,
    ConnectorBook,
    connector_named,
    insulation_gap_mm,
    strip_length_mm,
)
from station.crimp.facts import shipped_book
from station.crimp.wire import WireSize, parse_size


@click.command(
    epilog="Example: station connectors parallel-splice-blue --wire '18 AWG' --wire '18 AWG'"
)
@click.argument("name", required=False)
@click.option("--wire", "wires", multiple=True, metavar="SIZE", help="A wire to be crimped.")
@json_option
def connectors(name: str | None, wires: tuple[str, ...], as_json: bool) -> int:
    """List the connectors, or say of one how to strip, clip and look at it.

    With --wire, once per wire, exit 1 says that the barrel is not made for them.
    """
    book = shipped_book()
    sizes = [parse_size(wire) for wire in wires]
    chosen = list(book.connectors.values())
    if name is not None:
        chosen = [connector_named(book.connectors, name)]
    documents = [_document(book, connector, sizes) for connector in chosen]
    if as_json:
        print_json(documents if name is None else documents[0])
    elif name is None:
        for connector in chosen:
            click.echo(f"{connector.id}: {connector.title}, takes {', '.join(connector.accepts)}")
    else:
        _print(book, chosen[0], sizes)
    wrong = name is not None and documents[0]["warning"] is not None
    return 1 if wrong else 0


def _document(
    book: ConnectorBook, connector: Connector, sizes: list[WireSize]
) -> dict[str, object]:
    family = book.family_of(connector)
    return {
        "id": connector.id,
        "title": connector.title,
        "family": family.title,
        "accepted_joint": family.accepted_joint,
        "accepts": list(connector.accepts),
        "strip_length_mm": strip_length_mm(connector, family),
        "current_clips": family.current_clips,
        "sense_clips": family.sense_clips,
        "fixture": family.fixture,
        "checklist": [item.model_dump() for item in book.checklist(connector)],
        "source": connector.source,
        "standing": connector.standing,
        "warning": book.fit(connector, sizes).warning if sizes else None,
    }


def _print(book: ConnectorBook, connector: Connector, sizes: list[WireSize]) -> None:
    family = book.family_of(connector)
    click.echo(f"{connector.title}: takes {', '.join(connector.accepts)}")
    click.echo(f"Making: {family.making}")
    if strip := strip_length_mm(connector, family):
        click.echo(f"Strip {strip[0]:g} to {strip[1]:g} mm: barrel, what shows past it, bare gap.")
    click.echo(f"Current clips: {family.current_clips}.")
    click.echo(f"Sense clips: {family.sense_clips}.")
    click.echo(f"Fixture: {family.fixture}.")
    click.echo("Before any clip goes on: battery disconnected, circuit dead. Look first:")
    for item in book.checklist(connector):
        figure = f" ({item.figure})" if item.figure else ""
        click.echo(f"  - {item.question}{figure}{' CRITICAL' if item.critical else ''}")
    for size in dict.fromkeys(sizes):
        low, high = insulation_gap_mm(size)
        click.echo(f"Gap between insulation and barrel for {size.label}: {low:g} to {high:g} mm.")
    if family.note:
        click.echo(family.note)
    click.echo(f"From: {connector.source} [{connector.standing}]")
    if sizes and (warning := book.fit(connector, sizes).warning):
        click.echo(f"WRONG BARREL: {warning}")


COMMANDS = (connectors,)
