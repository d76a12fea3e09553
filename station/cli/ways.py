"""Command that compares two ways of making a joint: job compare."""

from pathlib import Path

import click

from station.cli.compare import Better, comparison_document, print_comparison
from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, plot_option, print_json
from station.cli.study_figures import draw_comparison
from station.errors import BadInput
from station.jobs.comparison import (
    Characteristic,
    doubts,
    values_of,
    way_from,
)
from station.ledger.queries import LedgerReader
from station.statistics.comparison import compare as compare_groups

MOST_ROWS = 20_000
SCALE = {"pull": ("N", 1.0), "resistance": ("mΩ", 1e3)}
BETTER: dict[str, Better] = {"pull": "higher", "resistance": "lower"}


@click.command(epilog="Example: station job compare 'good strip' 'nicked strands' --plot ways.svg")
@click.argument("first")
@click.argument("second")
@click.option(
    "--what", type=click.Choice(["pull", "resistance"]), default="pull", show_default=True
)
@click.option("--confidence", type=float, default=0.95, show_default=True)
@click.option("--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@plot_option
@json_option
def compare(
    first: str,
    second: str,
    what: Characteristic,
    confidence: float,
    path: Path | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Set two ways side by side: labels of a comparison, or filters such as "nest=red".

    Filters: way, connector, wire, material, tool, nest, person; several with commas between.
    """
    ways = (way_from(first), way_from(second))
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = reader.samples(limit=MOST_ROWS)
    unit, scale = SCALE[what]
    values = tuple([scale * one for one in values_of(way, rows, what)] for way in ways)
    names = (ways[0].name, ways[1].name)
    try:
        result = compare_groups(values[0], values[1], names=names, confidence=confidence)
    except ValueError as error:
        raise BadInput(f"They cannot be compared: {error}.") from error
    warnings = doubts(ways, rows)
    if plot is not None:
        draw_comparison(plot, (values[0], values[1]), names, result)
    if as_json:
        found = comparison_document(result, names, BETTER[what])
        print_json({**found, "what": what, "unit": unit, "doubts": warnings})
        return 0
    click.echo(f"{what} in {unit}, in the samples on record")
    print_comparison(result, names, BETTER[what])
    for warning in warnings:
        click.echo(f"Doubt: {warning}", err=True)
    return 0
