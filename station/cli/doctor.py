"""Command that looks at the whole bench and says what is the matter: doctor."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import click

from station.cli import doctor_machine
from station.cli.doctor_bench import Examination
from station.cli.doctor_findings import DoctorFinding, Severity, of_machine, told
from station.cli.options import FILE, json_option, print_result, settings_option
from station.errors import BadInput, DataFileError
from station.settings import data_folder, read_settings

MARKS = {Severity.GOOD: "good", Severity.LOOK: "LOOK AT IT", Severity.WRONG: "WRONG"}


@click.command(epilog="Example: station doctor --settings bench.toml")
@settings_option
@click.option(
    "--ledger", "ledger_path", type=FILE, metavar="FILE",
    help="Default: the one that the settings name.",
)  # fmt: skip
@click.option(
    "--ask/--no-ask", default=True, show_default=True,
    help="Open the ports that are set and ask the instruments who they are.",
)  # fmt: skip
@json_option
def doctor(settings_path: Path | None, ledger_path: Path | None, ask: bool, as_json: bool) -> int:
    """Look at machine, settings, ports, panel, clock, disk, ledger and people; say what to do.

    Nothing is changed. Exit 1 says that something is wrong.
    """
    if settings_path is not None and not settings_path.exists():
        raise BadInput(f"There is no file {settings_path}: name the settings of this bench.")
    found = []
    for finding in _findings(settings_path, ledger_path, ask):
        found.append(finding)
        if not as_json:
            click.echo(_line(finding))
    states = Counter(finding.state for finding in found)
    wrong, look_at = states[Severity.WRONG], states[Severity.LOOK]
    document = {"wrong": wrong, "look_at": look_at, "findings": list(map(asdict, found))}
    print_result(as_json, document, [f"{wrong} wrong, {look_at} to look at, of {len(found)}."])
    return 1 if wrong else 0


def _findings(
    settings_path: Path | None, ledger_path: Path | None, ask: bool
) -> Iterator[DoctorFinding]:
    try:
        settings = read_settings(settings_path)
    except DataFileError as error:
        yield from of_machine(doctor_machine.machine())
        yield told("settings", "file", "wrong", error=error)
        return
    case = "good-shipped" if settings_path is None else "good"
    yield told("settings", "file", case, path=settings_path)
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
    yield from Examination(settings, path, ask=ask).findings()


def _line(finding: DoctorFinding) -> str:
    return f"{MARKS[finding.state]:<10}  {finding.area}: {finding.name}: {finding.sentence}"
