"""Commands on the record as files: ledger export, import."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import click

from station.cli.ledger_file import default_ledger, progress_bar, which_ledger
from station.cli.output import json_option, print_json
from station.cli.signing import signed_by
from station.errors import BadInput
from station.files import read_bytes, read_toml, unread
from station.ledger.elsewhere import ImportMap, Source, imported_samples
from station.ledger.entries import SampleImported
from station.ledger.export import export_ledger
from station.ledger.queries import LedgerReader
from station.ledger.reimport import import_export
from station.ledger.store import Ledger
from station.shop.rights import Right

MOST_BYTES = 100_000_000
"""A table of samples that is larger is to be split (our own choice)."""


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


@click.command(
    "import",
    epilog="Example: station ledger import other-shop.csv --map other-shop.toml --person Ottilie",
)
@click.argument("source", metavar="FILE.csv|DIR", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--map", "mapping", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="FILE.toml", help="What the table's columns mean.",
)  # fmt: skip
@click.option("--person", metavar="NAME", help="The lead who signs for samples from elsewhere.")
@which_ledger
@json_option
def import_(
    source: Path, mapping: Path | None, person: str | None, path: Path | None, as_json: bool
) -> int:
    """Take samples that were measured elsewhere into the record, or make a ledger of an export.

    A table FILE.csv needs --map, which says what its columns mean, and a lead who signs; its
    samples are marked as imported. An export DIR is made into the new ledger that --ledger names,
    and every hash of it is proved.
    """
    if source.is_dir():
        return _import_export(source, path, as_json)
    if mapping is None or person is None:
        raise BadInput("A table needs --map, what its columns mean, and --person, who signs.")
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        samples = samples_of(source, mapping, ledger.reader)
        lead = signed_by(ledger, person, Right.CORRECT)
        entries = ledger.append_many((one, lead.name, ledger.now()) for one in samples)
    if as_json:
        print_json(
            {"ledger": str(ledger.path), "source": str(source), "samples": len(entries),
             "first_id": entries[0].id, "last_id": entries[-1].id}
        )  # fmt: skip
    else:
        click.echo(
            f"{len(entries)} samples of {source.name} are on record, marked as imported and signed "
            f"by {lead.name}."
        )
    return 0


def samples_of(source: Path, mapping: Path, reader: LedgerReader) -> list[SampleImported]:
    """Read a table by its mapping.

    Raises
    ------
    BadInput, DataFileError
        The mapping or the table cannot be read, or the table is on record already.
    """
    try:
        content = read_bytes(source, MOST_BYTES)
        text = content.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{source} cannot be read as UTF-8 text: {unread(error)}.") from error
    found = Source(source.name, hashlib.sha256(content).hexdigest())
    for entry in reader.entries(SampleImported.KIND):
        payload = entry.payload
        if isinstance(payload, SampleImported) and payload.source_sha256 == found.sha256:
            raise BadInput(
                f"{source} is on record already, as {payload.source} since {entry.at_utc:%Y-%m-%d}"
                ": nothing was imported."
            )
    read = read_toml(mapping, ImportMap)
    return imported_samples(text, read, found, demo=reader.is_demo())


def _import_export(source: Path, path: Path | None, as_json: bool) -> int:
    if path is None:
        raise BadInput("Name the new ledger with --ledger: an export is never mixed into another.")
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
