"""Commands on the record: ledger verify."""

from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from station.cli.output import json_option, print_json
from station.errors import BadInput
from station.ledger.database import check_path
from station.ledger.verify import verify_ledger
from station.settings import data_folder


@click.group(epilog="Example: station ledger verify")
def ledger() -> None:
    """Prove, export, back up and restore the record."""


@ledger.command(epilog="Example: station ledger verify --ledger bench.ledger")
@click.option(
    "--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Default: the station's ledger, or the demo's where that is the only one.",
)  # fmt: skip
@json_option
def verify(path: Path | None, as_json: bool) -> int:
    """Hash every entry and trace again and name the first that does not match."""
    path = path or default_ledger()
    check_path(path, create=False)
    console = Console(stderr=True, quiet=as_json, highlight=False)
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task(f"Verifying {path.name}", total=None)
        report = verify_ledger(
            path, lambda done, total: bar.update(task, completed=done, total=total)
        )
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "entries": report.entries,
                "traces": report.traces,
                "first_bad": report.first_bad,
            }
        )
    elif report.first_bad is None:
        click.echo(f"{path}: {report.entries} entries and {report.traces} traces, all sound.")
    else:
        click.echo(f"{path}: NOT SOUND: {report.first_bad}")
    return 0 if report.first_bad is None else 1


def default_ledger() -> Path:
    """The ledger to work on where none is named (BadInput if there is none)."""
    folder = data_folder()
    for name in ("station.ledger", "demo.ledger"):
        if (folder / name).exists():
            return folder / name
    raise BadInput(f"There is no ledger in {folder} yet: name one with --ledger.")


COMMANDS = (ledger,)
