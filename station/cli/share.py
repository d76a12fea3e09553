"""Commands on the shared record of many benches: share prepare, push, status, restore."""

from pathlib import Path

import click

from station.cli.ledgers import default_ledger, progress_bar
from station.cli.options import bench_options, json_option, picked, print_result
from station.settings import Settings, ShareSettings, data_folder, read_settings
from station.share.prepare import prepare as prepare_shared
from station.share.push import push as push_ledger
from station.share.push import standing
from station.share.restore import restore_bench


@click.group(epilog="Example: station share status --settings bench.toml")
def share() -> None:
    """Copy the record into one PostgreSQL of many benches (firmware_notes/shared.md).

    Which, the setting share.database says; what that leaves out, PGHOST, PGUSER and the like.
    """


@share.command(
    epilog="Example: station share prepare --database postgresql:///crimps --bench bench-1 "
    "--passfiles passfiles"
)
@click.option("--database", default="postgresql://", metavar="URL", help="It has to exist.")
@click.option("--bench", "benches", multiple=True, metavar="NAME", help="Add this bench.")
@click.option("--reader", "readers", multiple=True, metavar="ROLE", help="Let this role read all.")
@click.option(
    "--passfiles", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
    help="Write a passfile with a new password there for each that is named; older ones end.",
)  # fmt: skip
@json_option
def prepare(
    database: str,
    benches: tuple[str, ...],
    readers: tuple[str, ...],
    passfiles: Path | None,
    as_json: bool,
) -> int:
    """Make the tables, roles and policies of station/share/shared.sql, as an administrator.

    Doing it again changes nothing but what is new. Without --passfiles, set passwords by psql's
    \\password.
    """
    added = prepare_shared(ShareSettings(database=database), benches, readers, passfiles)
    lines = [f"{one['name']}: role {one['role']}, passfile {one['passfile']}" for one in added]
    print_result(as_json, {"added": added}, ["The shared record is ready.", *lines])
    return 0


@share.command(epilog="Example: station share push --settings bench.toml")
@bench_options
def push(settings_path: Path | None, ledger_path: Path | None, as_json: bool) -> int:
    """Copy to the shared record what it does not have yet; 'station serve' does so by itself."""
    settings, where = _read(settings_path)
    path = ledger_path or settings.ledger or default_ledger()
    with progress_bar(f"Copying {path.name}", quiet=as_json) as tell:
        sent = push_ledger(path, where, tell)
    line = f"{path}: {sent} entries sent; the shared record has all."
    print_result(as_json, {"ledger": str(path), "sent": sent}, [line])
    return 0


@share.command(epilog="Example: station share status --settings bench.toml")
@bench_options
def status(settings_path: Path | None, ledger_path: Path | None, as_json: bool) -> int:
    """Say how far the shared record is behind this bench; exit 1 where their histories differ."""
    settings, where = _read(settings_path)
    found = standing(ledger_path or settings.ledger or default_ledger(), where)
    document = picked(found, "bench behind differs_at received")
    document |= {"head_here": str(found.here), "head_there": str(found.there)}
    line = f"{found.bench}: {found.here.seq} entries here, {found.there.seq} in the shared record"
    if found.received:
        line += f", the last received {found.received}"
    if found.differs_at:
        line += f"; NOT THE SAME from entry {found.differs_at} on"
    print_result(as_json, document, [f"{line}."])
    return 1 if found.differs_at or found.behind < 0 else 0


@share.command(epilog="Example: station share restore --settings bench.toml --ledger new.ledger")
@bench_options
def restore(settings_path: Path | None, ledger_path: Path | None, as_json: bool) -> int:
    """Make the ledger of the settings' bench from the shared record, and prove every hash of it."""
    settings, where = _read(settings_path)
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
    with progress_bar(f"Making {path.name}", quiet=as_json) as tell:
        report = restore_bench(where, settings.bench, path, tell)
    document = {"ledger": str(path)} | picked(report, "entries traces")
    line = f"{path}: {report.entries} entries and {report.traces} traces, all sound."
    head = f"Head: {report.head.short}"
    print_result(as_json, document | {"head": str(report.head)}, [line, head])
    return 0


def _read(settings_path: Path | None) -> tuple[Settings, ShareSettings]:
    settings = read_settings(settings_path)
    return settings, settings.share or ShareSettings()
