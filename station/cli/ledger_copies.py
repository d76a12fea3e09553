"""Commands on copies of the record: ledger backup, restore, rebuild."""

from datetime import UTC, datetime
from pathlib import Path

import click

from station.cli.ledger_file import default_ledger, progress_bar, which_ledger
from station.cli.output import json_option, print_json
from station.ledger.backup import back_up_ledger, restore_ledger
from station.ledger.database import check_path
from station.ledger.store import Ledger

_file_argument = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))


@click.command(epilog="Example: station ledger backup /media/stick/bench-1.backup")
@_file_argument
@which_ledger
@click.option("--replace", is_flag=True, help="Replace an older backup of this name.")
@json_option
def backup(file: Path, path: Path | None, replace: bool, as_json: bool) -> int:
    """Copy the ledger to FILE, which may be done while the station runs, and verify the copy."""
    path = path or default_ledger()
    with progress_bar(f"Backing up {path.name}", quiet=as_json) as tell:
        report = back_up_ledger(path, file, replace=replace, progress=tell)
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "backup": str(file),
                "entries": report.entries,
                "traces": report.traces,
                "last_hash": report.last_hash,
            }
        )
    else:
        click.echo(
            f"{file}: {report.entries} entries and {report.traces} traces, all sound. "
            f"Note the hash of the last, {report.last_hash[:16]}, elsewhere: it proves the copy."
        )
    return 0


@click.command(epilog="Example: station ledger restore /media/stick/bench-1.backup")
@_file_argument
@which_ledger
@json_option
def restore(file: Path, path: Path | None, as_json: bool) -> int:
    """Verify the backup FILE and put a copy of it in the ledger's place; the old one is kept."""
    path = path or default_ledger(create=True)
    with progress_bar(f"Restoring {path.name}", quiet=as_json) as tell:
        done = restore_ledger(file, path, now=datetime.now(UTC), progress=tell)
    if as_json:
        print_json(
            {
                "ledger": str(path),
                "backup": str(file),
                "entries": done.report.entries,
                "traces": done.report.traces,
                "last_hash": done.report.last_hash,
                "kept_as": None if done.kept_as is None else str(done.kept_as),
                "newer_entries_in_old": done.newer_entries,
            }
        )
        return 0
    click.echo(f"{path}: {done.report.entries} entries and {done.report.traces} traces, all sound.")
    if done.kept_as is not None:
        newer = {None: "could not be read", 0: "had no entries more"}.get(
            done.newer_entries, f"had {done.newer_entries} entries more"
        )
        click.echo(f"The ledger that stood there {newer}; it is kept as {done.kept_as}.")
    return 0


@click.command(epilog="Example: station ledger rebuild")
@which_ledger
@json_option
def rebuild(path: Path | None, as_json: bool) -> int:
    """Build the tables that pages read again from the entries; the record itself stays."""
    path = path or default_ledger()
    check_path(path, create=False)
    with (
        progress_bar(f"Rebuilding {path.name}", quiet=as_json) as tell,
        Ledger.open(path, create=False, progress=tell) as ledger,
    ):
        ledger.rebuild(tell)
        counts = ledger.reader.counts()
    if as_json:
        print_json({"ledger": str(path), "entries": counts.entries, "samples": counts.samples})
    else:
        click.echo(f"{path}: rebuilt from {counts.entries} entries, {counts.samples} samples.")
    return 0


COMMANDS = (backup, restore, rebuild)
