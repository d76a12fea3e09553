"""Commands on the record: ledger verify, and the group that holds the others."""

from pathlib import Path

import click

from station.cli.corrections import COMMANDS as CORRECTION_COMMANDS
from station.cli.ledger_copies import COMMANDS as COPY_COMMANDS
from station.cli.ledger_exports import COMMANDS as EXPORT_COMMANDS
from station.cli.ledger_file import default_ledger, progress_bar, which_ledger
from station.cli.output import json_option, print_json
from station.ledger.database import check_path
from station.ledger.verify import verify_ledger


@click.group(epilog="Example: station ledger verify")
def ledger() -> None:
    """Prove, export, back up and restore the record."""


@ledger.command(epilog="Example: station ledger verify --ledger bench.ledger")
@which_ledger
@json_option
def verify(path: Path | None, as_json: bool) -> int:
    """Hash every entry and trace again and name the first that does not match."""
    path = path or default_ledger()
    check_path(path, create=False)
    with progress_bar(f"Verifying {path.name}", quiet=as_json) as tell:
        report = verify_ledger(path, tell)
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


for command in (*CORRECTION_COMMANDS, *COPY_COMMANDS, *EXPORT_COMMANDS):
    ledger.add_command(command)

COMMANDS = (ledger,)
