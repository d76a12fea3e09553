"""Commands on the record: ledger verify, correct, backup, restore, rebuild, export, import."""

import hashlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import click

from station.cli.ledgers import default_ledger, progress_bar, writing
from station.cli.options import (
    FILE,
    OLD_FILE,
    json_option,
    ledger_option,
    picked,
    print_result,
    record_options,
)
from station.cli.signing import signed_by, signing_options
from station.crimp.pull.reduce import FAILURE_MODES
from station.errors import BadInput, LedgerDamaged
from station.files import read_bytes, read_toml, unread
from station.jobs.sample import void_by_word
from station.ledger.backup import back_up_ledger, restore_ledger
from station.ledger.chain import FIRST_PREV_HASH, Head
from station.ledger.database import check_path
from station.ledger.elsewhere import ImportMap, Source, imported_samples
from station.ledger.entries import Correction, SampleImported
from station.ledger.export import export_ledger
from station.ledger.reader import LedgerReader
from station.ledger.reimport import import_export
from station.ledger.store import Ledger
from station.ledger.verify import VerifyReport, head_fault, verify_ledger
from station.shop.rights import Right

MOST_BYTES = 100_000_000
"""A table of samples that is larger is to be split (our own choice)."""


@click.group(epilog="Example: station ledger verify")
def ledger() -> None:
    """Prove, export, back up and restore the record."""


@ledger.command(epilog="Example: station ledger verify --against '574:0a1b 2c3d 4e5f 6071'")
@ledger_option
@click.option(
    "--against", metavar="SEQ:HASH",
    help="A head that was noted elsewhere, as papers, backups and exports show it.",
)  # fmt: skip
@json_option
def verify(ledger_path: Path | None, against: str | None, as_json: bool) -> int:
    """Hash every entry and trace again, and compare all that pages show with the entries.

    Names the first that does not match, and prints the head, the last entry's number and hash:
    noted elsewhere, it shows later that nothing up to there was written anew.
    """
    path = ledger_path or default_ledger()
    check_path(path, create=False)
    noted = None if against is None else Head.read(against)
    try:
        with progress_bar(f"Verifying {path.name}", quiet=as_json) as tell:
            report = verify_ledger(path, tell)
    except LedgerDamaged as error:
        report = VerifyReport(0, 0, str(error), FIRST_PREV_HASH)
    unlike = report.first_bad or (None if noted is None else head_fault(path, noted))
    found = [unlike] if unlike else list(report.differences)
    not_compared = ["not compared, since an entry or trace is not sound"]
    tables = not_compared if report.first_bad else list(report.differences) or "sound"
    document = {"ledger": str(path)} | picked(report, "entries traces")
    document |= {"first_bad": unlike, "head": str(report.head), "read_tables": tables}
    lines = [f"{path}: NOT SOUND: {fault}" for fault in found] or [_sound(path, report)]
    if found and not unlike:
        lines.append("The entries are sound: station ledger rebuild makes the rest of them again.")
    print_result(as_json, document, [*lines, f"Head: {report.head}"])
    return 1 if found else 0


@ledger.command(
    epilog="Example: station ledger correct 0190a1b2-3c4d-7e5f-8a9b-0c1d2e3f4a5b --void "
    "--reason 'wrong reel' --person Ottilie"
)
@click.argument("entry_id", metavar="ID")
@click.option("--reason", required=True, prompt="Why", help="Goes on record with it.")
@click.option("--void", is_flag=True, help="Void the sample: the test, not the crimp, was bad.")
@click.option(
    "--failure-mode", type=click.Choice(list(FAILURE_MODES)), help="How the sample really let go."
)
@signing_options
def correct(
    entry_id: str,
    reason: str,
    void: bool,
    failure_mode: str | None,
    person: str,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """Add a lead's later word on the sample or entry ID; what was written stays as it is.

    With neither --void nor --failure-mode the reason is only noted. The reports and charts go by
    the corrected sample; the page shows both.
    """
    if not reason.strip():
        raise BadInput("Say why with --reason: a correction without a reason is worth nothing.")
    with writing(ledger_path) as ledger:
        demo = _demands(ledger.reader, entry_id, void)
        lead = signed_by(ledger, person, Right.CORRECT)
        said = Correction(
            corrects_id=entry_id,
            reason=reason.strip(),
            void_sample=void,
            failure_mode=failure_mode,
            demo=demo,
        )
        entry = ledger.append(said, person=lead.name)
    document = {"correction": entry.id, **said.model_dump(mode="json", exclude={"demo"})}
    line = f"Correction {entry.id} of {entry_id} is on record, signed by {lead.name}."
    print_result(as_json, document, [line])
    return 0


def _demands(reader: LedgerReader, entry_id: str, void: bool) -> bool:
    """Refuse what can be refused before anybody signs; return whether the entry is invented."""
    entry = reader.entry(entry_id)
    if entry is None:
        raise BadInput(f"There is no entry {entry_id} on record: check its id.")
    sample = reader.sample(entry_id)
    finished = reader.finished_payload(entry_id)
    by_word = finished is not None and sample is not None and void_by_word(finished, sample)
    if void and sample is not None and sample.verdict == "void" and not by_word:
        raise BadInput(f"Sample {entry_id} is void already: nothing was changed.")
    return entry.payload.demo


@ledger.command(epilog="Example: station ledger backup /media/stick/bench-1.backup")
@click.argument("file", type=FILE)
@ledger_option
@click.option("--replace", is_flag=True, help="Replace an older backup of this name.")
@json_option
def backup(file: Path, ledger_path: Path | None, replace: bool, as_json: bool) -> int:
    """Copy the ledger to FILE, which may be done while the station runs, and verify the copy."""
    path = ledger_path or default_ledger()
    with progress_bar(f"Backing up {path.name}", quiet=as_json) as tell:
        report = back_up_ledger(path, file, replace=replace, progress=tell)
    document = {"ledger": str(path), "backup": str(file)} | _copied(report)
    note = f"Note its head, {report.head.short}, elsewhere: it proves the copy."
    print_result(as_json, document, [*_mended(report), f"{_sound(file, report)} {note}"])
    return 0


@ledger.command(epilog="Example: station ledger restore /media/stick/bench-1.backup")
@click.argument("file", type=FILE)
@record_options
def restore(file: Path, ledger_path: Path | None, as_json: bool) -> int:
    """Verify the backup FILE and put a copy of it in the ledger's place; the old one is kept."""
    path = ledger_path or default_ledger(create=True)
    with progress_bar(f"Restoring {path.name}", quiet=as_json) as tell:
        done = restore_ledger(file, path, now=datetime.now(UTC), progress=tell)
    document = {"ledger": str(path), "backup": str(file)}
    document |= _copied(done.report) | {
        "kept_as": None if done.kept_as is None else str(done.kept_as),
        "newer_entries_in_old": done.newer_entries,
    }
    lines = [*_mended(done.report), _sound(path, done.report)]
    if done.kept_as is not None:
        newer = {None: "could not be read", 0: "had no entries more"}.get(
            done.newer_entries, f"had {done.newer_entries} entries more"
        )
        lines.append(f"The ledger that stood there {newer}; it is kept as {done.kept_as}.")
    print_result(as_json, document, lines)
    return 0


@ledger.command(epilog="Example: station ledger rebuild")
@record_options
def rebuild(ledger_path: Path | None, as_json: bool) -> int:
    """Build the tables that pages read again from the entries, and say what that mended.

    The record itself stays.
    """
    path = ledger_path or default_ledger()
    check_path(path, create=False)
    with progress_bar(f"Verifying {path.name}", quiet=as_json) as tell:
        report = verify_ledger(path, tell)
    with (
        progress_bar(f"Rebuilding {path.name}", quiet=as_json) as tell,
        Ledger.open(path, create=False, progress=tell) as ledger,
    ):
        ledger.rebuild(tell)
        counts = ledger.reader.counts()
    document = {"ledger": str(path)} | picked(counts, "entries samples")
    document |= {"mended": list(report.differences)}
    line = f"{path}: rebuilt from {counts.entries} entries, {counts.samples} samples."
    print_result(as_json, document, [*_mended(report), line])
    return 0


@ledger.command(epilog="Example: station ledger export bench-1-export --traces npz")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@ledger_option
@click.option(
    "--traces", type=click.Choice(["csv", "npz", "none"]), default="csv",
    help="Force traces: one CSV file each, one npz file for all, or none.",
)  # fmt: skip
@json_option
def export(
    folder: Path, ledger_path: Path | None, traces: Literal["csv", "npz", "none"], as_json: bool
) -> int:
    """Write the whole record into a new folder DIR as CSV, JSON Lines and JSON Schema.

    Text cells that a spreadsheet would run as a formula get an apostrophe before them; README.txt
    in the folder says how everything is written.
    """
    path = ledger_path or default_ledger()
    with progress_bar(f"Exporting {path.name}", quiet=as_json) as tell:
        report = export_ledger(path, folder, now=datetime.now(UTC), traces=traces, progress=tell)
    entries = sum(report.entries.values())
    document = {"ledger": str(path), "folder": str(folder), "entries": entries}
    line = (
        f"{folder}: {entries} entries, {report.samples} samples, {report.traces} traces, head "
        f"{Head(entries, report.last_hash).short}. Start with README.txt."
    )
    print_result(as_json, document | picked(report, "samples traces last_hash"), [line])
    return 0


@ledger.command(
    "import",
    epilog="Example: station ledger import other-shop.csv --map other-shop.toml --person Ottilie",
)
@click.argument("source", metavar="FILE.csv|DIR", type=click.Path(path_type=Path, exists=True))
@click.option(
    "--map", "mapping", type=OLD_FILE,
    metavar="FILE.toml", help="What the table's columns mean.",
)  # fmt: skip
@click.option("--person", metavar="NAME", help="The lead who signs for samples from elsewhere.")
@record_options
def import_(
    source: Path, mapping: Path | None, person: str | None, ledger_path: Path | None, as_json: bool
) -> int:
    """Take samples that were measured elsewhere into the record, or make a ledger of an export.

    A table FILE.csv needs --map, which says what its columns mean, and a lead who signs; its
    samples are marked as imported. An export DIR is made into the new ledger that --ledger names,
    and every hash of it is proved.
    """
    if source.is_dir():
        return _import_export(source, ledger_path, as_json)
    if mapping is None or person is None:
        raise BadInput("A table needs --map, what its columns mean, and --person, who signs.")
    with writing(ledger_path) as ledger:
        samples = samples_of(source, mapping, ledger.reader)
        lead = signed_by(ledger, person, Right.CORRECT)
        with ledger.transaction():
            # Somebody else may have taken it in while this one signed.
            _demand_new(source, samples[0].source_sha256, ledger.reader)
            entries = [ledger.append(one, person=lead.name) for one in samples]
    document = {
        "ledger": str(ledger.path), "source": str(source), "samples": len(entries),
        "first_id": entries[0].id, "last_id": entries[-1].id,
    }  # fmt: skip
    line = (
        f"{len(entries)} samples of {source.name} are on record, marked as imported and signed by "
        f"{lead.name}."
    )
    print_result(as_json, document, [line])
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
    _demand_new(source, found.sha256, reader)
    read = read_toml(mapping, ImportMap)
    return imported_samples(text, read, found, demo=reader.is_demo())


def _demand_new(source: Path, sha256: str, reader: LedgerReader) -> None:
    for entry in reader.entries(SampleImported.KIND):
        payload = entry.payload
        if isinstance(payload, SampleImported) and payload.source_sha256 == sha256:
            raise BadInput(
                f"{source} is on record already, as {payload.source} since {entry.at_utc:%Y-%m-%d}"
                ": nothing was imported."
            )


def _import_export(source: Path, path: Path | None, as_json: bool) -> int:
    if path is None:
        raise BadInput("Name the new ledger with --ledger: an export is never mixed into another.")
    with progress_bar(f"Importing {source.name}", quiet=as_json) as tell:
        report = import_export(source, path, progress=tell)
    document = {"ledger": str(path)} | picked(report, "entries traces last_hash")
    print_result(as_json, document, [_sound(path, report)])
    return 0


def _copied(report: VerifyReport) -> dict[str, Any]:
    document = picked(report, "entries traces last_hash")
    return document | {"head": str(report.head), "mended": list(report.differences)}


def _mended(report: VerifyReport) -> list[str]:
    return [f"Mended from the entries: {difference}" for difference in report.differences]


def _sound(path: Path, report: VerifyReport) -> str:
    return f"{path}: {report.entries} entries and {report.traces} traces, all sound."
