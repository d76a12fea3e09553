"""Commands on the record as files: ledger export, import."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import click

from station.cli.ledger_file import default_ledger, progress_bar, which_ledger
from station.cli.output import json_option, print_json
from station.errors import BadInput
from station.ledger.export import export_ledger
from station.ledger.reimport import import_export


@click.command(epilog="Example: station ledger export bench-1-export --traces npz")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@which_ledger
@click.option(
    "--traces", type=click.Choice(["csv", "npz", "none"]), default="csv", show_default=True,
    help="Force traces: one CSV file each, one npz file for all, or none.",
)  # fmt: skip
@json_option
def export(
    folder: Path, path: Path | None, traces: Literal["csv", "npz", "none"], as_json: bool
) -> int:
    """Write the whole record into a new folder DIR as CSV, JSON Lines and JSON Schema.

    Text cells that a spreadsheet would run as a formula get an apostrophe before them; README.txt
    in the folder says how everything is written.
    """
    path = path or default_ledger()
    with progress_bar(f"Exporting {path.name}", quiet=as_json) as tell:
        report = export_ledger(path, folder, now=datetime.now(UTC), traces=traces, progress=tell)
    entries = sum(report.entries.values())
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "folder": str(folder),
                "entries": entries,
                "samples": report.samples,
                "traces": report.traces,
                "last_hash": report.last_hash,
            }
        )
    else:
        click.echo(
            f"{folder}: {entries} entries, {report.samples} samples, {report.traces} traces. "
            "Start with README.txt."
        )
    return 0


@click.command("import", epilog="Example: station ledger import bench-1-export --ledger new.ledger")
@click.argument("source", metavar="DIR", type=click.Path(path_type=Path, exists=True))
@which_ledger
@json_option
def import_(source: Path, path: Path | None, as_json: bool) -> int:
    """Make a new ledger of the export in DIR, and prove every hash of it."""
    if path is None:
        raise BadInput("Name the new ledger with --ledger: an export is never mixed into another.")
    if not source.is_dir():
        raise BadInput(f"{source} is not a folder: name one that ledger export made.")
    with progress_bar(f"Importing {source.name}", quiet=as_json) as tell:
        report = import_export(source, path, progress=tell)
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "entries": report.entries,
                "traces": report.traces,
                "last_hash": report.last_hash,
            }
        )
    else:
        click.echo(f"{path}: {report.entries} entries and {report.traces} traces, all sound.")
    return 0


COMMANDS = (export, import_)
