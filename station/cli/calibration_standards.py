"""The shop's reference standards by command line, and who may calibrate with them."""

from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, print_json
from station.cli.signing import signed_by
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.settings import Settings, read_settings
from station.shop.calibrations import StandardsInUse
from station.shop.rights import Right, demand
from station.shop.secrets import SecretFile
from station.shop.sign_in import active_person, leads_with_secret
from station.shop.standards import Conditions, Place, Standards, load_standards


def shop_standards(settings: Settings, ledger_path: Path) -> Standards:
    """The shop's standards; the invented ones where the record is invented and has no others."""
    with LedgerReader.open(ledger_path) as reader:
        return load_standards(settings.standards_folder, invented=reader.is_demo())


def standards_in_use(
    settings: Settings, ledger_path: Path, facts: dict[str, Any], place: Place | None = None
) -> StandardsInUse:
    """The shop's standards on the day and at the temperature of a calibration or check.

    The settings say where the bench stands where the command does not.
    """
    if place is None and settings.latitude_deg is not None:
        place = (settings.latitude_deg, settings.height_m)
    conditions = Conditions(facts["calibrated_on"], facts["temperature_c"], place)
    return StandardsInUse(shop_standards(settings, ledger_path), conditions)


def calibrator(ledger: Ledger, name: str) -> str:
    """Let a lead enter a calibration, and return the name that the entry bears.

    Where a lead can sign on this bench, one must. Where none can yet, the name is taken on its word
    as far as the record knows it, and that is said.

    Raises
    ------
    NotAllowed
        The person is not on record, has left, or is no lead; or the secret is wrong.
    """
    if leads_with_secret(ledger.reader, SecretFile(ledger.path)):
        return signed_by(ledger, name, Right.CALIBRATE).name
    if ledger.reader.people():
        demand(active_person(ledger.reader, name), Right.CALIBRATE)
    click.echo(
        f"No lead can sign on this bench yet: this is entered on {name}'s word. "
        "'station people code' shows how that begins.",
        err=True,
    )
    return name


@click.command(epilog="Example: station calibrate standards --settings bench.toml --json")
@click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
@click.option(
    "--ledger", "ledger_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
@json_option
def standards(settings_path: Path | None, ledger_path: Path | None, as_json: bool) -> int:
    """List the shop's reference standards; exit 1 if one is overdue itself."""
    settings = read_settings(settings_path)
    found = shop_standards(settings, ledger_path or settings.ledger or default_ledger())
    today = datetime.now().astimezone().date()
    if as_json:
        print_json([_document(found, name, today) for name in found])
    else:
        for standard in found.values():
            late = "OVERDUE " if standard.overdue(today) else "        "
            click.echo(f"{late}{standard.kind:<9} {standard.words(today)}: {standard.title}")
        if not found:
            click.echo("No standard is on record: name a folder by the setting standards_folder.")
    return 1 if any(standard.overdue(today) for standard in found.values()) else 0


def _document(found: Standards, name: str, today: date) -> dict[str, object]:
    standard = found[name]
    return {
        "standard": standard.id,
        "kind": standard.kind,
        "title": standard.title,
        "certificate": standard.certificate,
        "due_on": standard.due_on.isoformat(),
        "overdue": standard.overdue(today) is not None,
        "invented": standard.invented,
    }


COMMANDS = (standards,)
