"""Command that looks at a known standard: calibrate check."""

import math
from datetime import datetime
from pathlib import Path

import click

from calibration.standing import (
    CHECK_WORDS,
    UNITS,
    CheckKind,
    CheckResult,
    Role,
)
from station.cli.calibration_points import weighed
from station.cli.calibration_records import (
    CAUTION_METER,
    CAUTION_TESTER,
    ledger_option,
    person_option,
    settings_option,
)
from station.cli.calibration_standards import standards_in_use
from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, print_facts, print_json
from station.errors import BadInput
from station.instruments.bay import InstrumentBay
from station.ledger.entries import InstrumentChecked
from station.ledger.store import Ledger
from station.settings import InstrumentSettings, Settings, read_settings
from station.shop.checks import CheckDefinition, judged_check
from station.shop.trust import check_from

REPEATS = 5


@click.command(
    epilog="Example: station calibrate check resistor --instrument 'MAKER,M1,7,1' --standard R-1 "
    "--expected 1 --limit 0.002 --reading 1.0004 --person Benno --json"
)
@click.argument("kind", type=click.Choice(list(CHECK_WORDS)))
@click.option("--role", type=click.Choice(["meter", "tester"]), help="For a zero; else it follows.")
@click.option("--instrument", metavar="NAME", help="As it names itself; asked over --port.")
@click.option("--standard", default="", help="Which resistor, weight or wire.")
@click.option(
    "--expected", type=float, help="In mΩ for a meter, N for a tester; a zero needs none."
)
@click.option("--mass-kg", type=float, help="Of a weight, instead of --expected, with --latitude.")
@click.option("--latitude", type=float, help="Of the bench in degrees.")
@click.option("--height-m", type=float, default=0.0, show_default=True, help="Above the sea.")
@click.option("--temperature-c", type=float, help="Of a standard on record that minds it.")
@click.option("--limit", type=float, required=True, prompt="How far off may it be")
@click.option(
    "--reading", "readings", type=float, multiple=True, help="May be given several times."
)
@click.option("--port", help="Read the meter there instead.")
@click.option("--profile", help="Profile of the meter at --port.")
@person_option
@settings_option
@ledger_option
@json_option
def check(
    kind: CheckKind,
    role: Role | None,
    instrument: str | None,
    standard: str,
    expected: float | None,
    mass_kg: float | None,
    latitude: float | None,
    height_m: float,
    temperature_c: float | None,
    limit: float,
    readings: tuple[float, ...],
    port: str | None,
    profile: str | None,
    person: str,
    settings_path: Path | None,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """Check an instrument against a zero, a resistor, a weight or a wire; exit 1 if it fails.

    A zero is taken with the four clips on one bare conductor in Kelvin order, or with empty grips.
    A standard on record needs no --expected.
    """
    of_role = _role(kind, role)
    unit, scale = UNITS[of_role]
    path = ledger_path or default_ledger()
    place = None if latitude is None else (latitude, height_m)
    today = datetime.now().astimezone().date()
    in_use = standards_in_use(
        read_settings(settings_path), path,
        {"calibrated_on": today, "temperature_c": temperature_c}, place,
    )  # fmt: skip
    if expected is None and mass_kg is None and standard in in_use.standards:
        wanted = in_use.expected_at(kind, standard, of_role) or 0.0
        if late := in_use.standards[standard].overdue(today):
            click.echo(late, err=True)
    else:
        wanted = _expected(kind, expected, mass_kg, latitude, height_m) * scale
    if kind != "zero" and not standard:
        raise BadInput(f"Name the {CHECK_WORDS[kind]} with --standard: each has its own chart.")
    if not readings:
        click.echo(f"Caution: {CAUTION_METER if of_role == 'meter' else CAUTION_TESTER}", err=True)
    if port is not None:
        instrument, taken = _read_meter(of_role, port, profile, wanted)
    else:
        taken = [value * scale for value in readings or (click.prompt(
            f"Reading in {unit}", type=float, err=True),)]  # fmt: skip
    if not instrument:
        raise BadInput("Name the instrument with --instrument, as the record calls it.")
    asked = CheckDefinition(of_role, instrument, kind, standard, wanted, limit * scale)
    with Ledger.open(path, create=False) as ledger:
        payload = judged_check(ledger.reader, asked, taken, demo=ledger.reader.is_demo())
        found = check_from(ledger.append(payload, person=person))
    if as_json:
        print_json(_document(payload))
    else:
        _print(payload, found, unit, scale)
    return 0 if payload.passed else 1


def _role(kind: CheckKind, role: Role | None) -> Role:
    if kind == "zero":
        if role is None:
            raise BadInput("Say with --role whether the meter or the tester is zeroed.")
        return role
    follows: Role = "tester" if kind == "weight" else "meter"
    if role not in (None, follows):
        raise BadInput(f"A {CHECK_WORDS[kind]} checks the {follows}, not the {role}.")
    return follows


def _expected(
    kind: CheckKind,
    expected: float | None,
    mass_kg: float | None,
    latitude: float | None,
    height_m: float,
) -> float:
    if kind == "weight" and mass_kg is not None:
        return weighed(mass_kg, 0.0, None if latitude is None else (latitude, height_m))[0]
    if expected is None:
        if kind == "zero":
            return 0.0
        raise BadInput(f"Say with --expected what the {CHECK_WORDS[kind]} is worth.")
    if not math.isfinite(expected):
        raise BadInput(f"--expected must be a number, not {expected}.")
    return expected


def _read_meter(
    role: Role, port: str, profile: str | None, expected_ohm: float
) -> tuple[str, list[float]]:
    if role != "meter":
        raise BadInput("Only a meter can be read at --port: give the tester's --reading.")
    if profile is None:
        raise BadInput("Name the meter's --profile: see station instruments list.")
    bay = InstrumentBay(Settings(meter=InstrumentSettings(port=port, profile=profile)))
    try:
        meter = bay.meter(max(expected_ohm, 1e-3))
        return bay.line("meter").known_as, meter.read_repeats(REPEATS)
    finally:
        bay.close()


def _document(payload: InstrumentChecked) -> dict[str, object]:
    """A check as the command line prints it; SI units."""
    return payload.model_dump(mode="json", exclude={"demo"})


def _print(payload: InstrumentChecked, found: CheckResult, unit: str, scale: float) -> None:
    click.echo("PASSED" if payload.passed else "FAILED")

    def shown(value: float) -> str:
        return f"{value / scale:.6g} {unit}"

    print_facts(
        [
            ("check", found.name),
            ("value", shown(payload.value)),
            ("expected", f"{shown(payload.expected)}, within {shown(payload.limit)}"),
            ("chart", f"{shown(payload.chart_lower)} to {shown(payload.chart_upper)}"),
        ]
    )
    if not payload.passed:
        click.echo(
            "Do not judge with it. Look for the cause, repeat the check, and list what it measured "
            f"since: station calibrate look-back --instrument '{payload.instrument}'"
        )


COMMANDS = (check,)
