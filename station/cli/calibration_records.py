"""Commands on calibrations: calibrate meter, tester, state."""

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from calibration.standing import CalibrationLine, CalibrationPoint, Role
from station.cli.calibration_points import RowsTaken, points_asked, points_from
from station.cli.calibration_standards import calibrator, standards_in_use
from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, print_facts, print_json
from station.errors import BadInput
from station.ledger.entries import InstrumentCalibrated
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.settings import read_settings
from station.shop.calibrations import Calibrated, calibrated_meter, calibrated_tester
from station.shop.trust import Trust, TrustBook

Command = Callable[..., Any]

CAUTION_METER = (
    "Clip onto the reference resistor's own terminals: current outside, sense inside. Nothing "
    "else may be connected, and no vehicle circuit."
)
CAUTION_TESTER = (
    "Keep feet and hands out from under a hung weight, and nobody below it; secure it against "
    "falling, keep within the tester's capacity, and wait until it hangs still."
)

ledger_option = click.option(
    "--ledger", "ledger_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Default: the station's ledger, or the demo's where that is the only one.",
)  # fmt: skip
settings_option = click.option(
    "--settings", "settings_path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE"
)
instrument_option = click.option(
    "--instrument", required=True, metavar="NAME", prompt="Instrument, as it names itself",
    help="As the record calls it: see calibrate state.",
)  # fmt: skip
person_option = click.option("--person", required=True, prompt="Who are you")


def certificate_options(command: Command) -> Command:
    """Add what every calibration says of itself."""
    day = click.DateTime(["%Y-%m-%d"])
    options = (
        instrument_option,
        click.option("--certificate", required=True, prompt="Certificate number"),
        click.option("--reference", required=True, prompt="Standards used"),
        click.option("--by", "calibrated_by", required=True, prompt="Calibrated by"),
        click.option("--on", "calibrated_on", type=day, required=True, prompt="Calibrated on"),
        click.option("--due", "due_on", type=day, required=True, prompt="Due on"),
        click.option("--temperature-c", type=float, help="Of the room."),
        click.option(
            "--drift-percent", type=click.FloatRange(0.0), default=0.0, show_default=True,
            help="Bound of its drift until it is due, of the reading.",
        ),
        click.option(
            "--from", "file", type=click.Path(path_type=Path, dir_okay=False, exists=True),
            metavar="FILE.csv", help="Points from a file instead of by asking.",
        ),
        click.option("--note", default="", help="Anything else worth knowing."),
        person_option,
        settings_option,
        ledger_option,
        json_option,
    )  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.command(
    epilog="Example: station calibrate meter --instrument 'MAKER,M1,7,1' --certificate C-1 "
    "--reference 'R-1 to R-4' --by Ottilie --on 2031-01-10 --due 2032-01-10 --person Ottilie "
    "--from points.csv --json"
)
@certificate_options
def meter(
    file: Path | None,
    settings_path: Path | None,
    ledger_path: Path | None,
    as_json: bool,
    **said: Any,
) -> int:
    """Enter a calibration of the milliohm meter against reference resistors.

    The file has the columns reading_mohm and reference_mohm (and where known u_reference_mohm, its
    standard uncertainty), or standard: the names of standards on record. It may have a column
    series: as_found or as_left.
    """
    _warn(CAUTION_METER, file)
    facts = _facts(said)
    settings, path = read_settings(settings_path), ledger_path or default_ledger()
    in_use = standards_in_use(settings, path, facts)
    rows = points_from(file, "mohm", in_use) if file else points_asked("mohm", in_use)
    facts["reference"] = rows.reference(facts["reference"])
    return _enter(calibrated_meter(facts, rows.points), said["person"], path, as_json, rows)


@click.command(
    epilog="Example: station calibrate tester --instrument 'MAKER,P1,3,1' --certificate C-2 "
    "--reference 'weights W-1 to W-5' --by Ottilie --on 2031-01-10 --due 2032-01-10 "
    "--person Ottilie --latitude 47.5 --height-m 420 --resolution-n 0.05 --class 1 "
    "--from weights.csv"
)
@certificate_options
@click.option("--latitude", type=float, help="Of the bench in degrees, for hung weights.")
@click.option("--height-m", type=float, default=0.0, show_default=True, help="Above the sea.")
@click.option("--resolution-n", type=float, required=True, prompt="One digit of the tester in N")
@click.option("--zero-n", type=float, help="Reading after unloading.")
@click.option("--scheme", default="iso-7500-1-2018", show_default=True, help="Or astm-e4-16.")
@click.option("--class", "class_wanted", help="Refuse it (exit 1) if it does not meet this class.")
def tester(
    file: Path | None,
    settings_path: Path | None,
    ledger_path: Path | None,
    as_json: bool,
    latitude: float | None,
    height_m: float,
    resolution_n: float,
    zero_n: float | None,
    scheme: str,
    class_wanted: str | None,
    **said: Any,
) -> int:
    """Enter a calibration of the pull tester by hung weights or against a reference cell.

    The file has the columns reading_n and reference_n, or mass_kg with --latitude, or standard:
    the names of standards on record (for a cell, reference_n is what it indicates). It may have
    u_reference_n or u_mass_kg, and series: as_found or as_left. Several readings of one force are
    its series.
    """
    _warn(CAUTION_TESTER, file)
    facts = _facts(said)
    settings, path = read_settings(settings_path), ledger_path or default_ledger()
    place = None if latitude is None else (latitude, height_m)
    in_use = standards_in_use(settings, path, facts, place)
    rows = points_from(file, "n", in_use) if file else points_asked("n", in_use)
    facts["reference"] = rows.reference(facts["reference"])
    made = calibrated_tester(
        facts, rows.points, resolution_n=resolution_n, zero_n=zero_n, scheme=scheme,
        class_wanted=class_wanted,
    )  # fmt: skip
    return _enter(made, said["person"], path, as_json, rows)


def _warn(caution: str, file: Path | None) -> None:
    if file is None:
        click.echo(f"Caution: {caution}", err=True)


def _facts(said: dict[str, Any]) -> dict[str, Any]:
    on, due = said["calibrated_on"], said["due_on"]
    facts = {key: value for key, value in said.items() if key not in ("person", "drift_percent")}
    return facts | {
        "calibrated_on": _day(on),
        "due_on": _day(due),
        "drift_fraction": said["drift_percent"] / 100.0,
    }


def _day(given: datetime) -> date:
    return given.date()


def _enter(made: Calibrated, person: str, path: Path, as_json: bool, rows: RowsTaken) -> int:
    with Ledger.open(path, create=False) as ledger:
        person = calibrator(ledger, person)
        payload = made.payload.model_copy(update={"demo": ledger.reader.is_demo()})
        entry = ledger.append(payload, person=person)
    for sentence in rows.overdue:
        click.echo(sentence, err=True)
    if as_json:
        print_json(
            calibration_document(payload, entry.id, made) | {"standards_overdue": rows.overdue}
        )
    else:
        _print_calibration(payload, made)
    return 0 if payload.accepted else 1


def calibration_document(
    payload: InstrumentCalibrated, entry_id: str, made: Calibrated
) -> dict[str, object]:
    """A calibration as the command line prints it; SI units, errors in per cent."""
    line = made.line
    return {
        "entry": entry_id,
        "role": payload.role,
        "instrument": payload.instrument,
        "certificate": payload.certificate,
        "calibrated_on": payload.calibrated_on.isoformat(),
        "due_on": payload.due_on.isoformat(),
        "accepted": payload.accepted,
        "class_found": payload.class_found,
        "class_left": payload.class_left,
        "shortfalls": list(made.shortfalls),
        "intercept": line.fit.intercept,
        "slope": line.fit.slope,
        "u_intercept": line.fit.u_intercept,
        "u_slope": line.fit.u_slope,
        "residual_sd": line.fit.residual_sd,
        "dof": line.fit.dof,
        "points": [_point_document(line, point) for point in line.points],
    }


def _point_document(line: CalibrationLine, point: CalibrationPoint) -> dict[str, float | None]:
    value, u = made_right(line, point.reading)
    error = point.reading - point.reference
    return {
        "reference": point.reference,
        "u_reference": point.u_reference,
        "reading": point.reading,
        "error_percent": 100.0 * error / point.reference if point.reference else None,
        "corrected": value,
        "u_corrected": u,
    }


def made_right(line: CalibrationLine, reading: float) -> tuple[float, float]:
    """A reading corrected by a line, and its standard uncertainty."""
    value, lines = line.correct(reading)
    return value, sum(item.u**2 for item in lines) ** 0.5


def _print_calibration(payload: InstrumentCalibrated, made: Calibrated) -> None:
    line, unit, scale = made.line, *(("mΩ", 1e3) if payload.role == "meter" else ("N", 1.0))
    click.echo("ACCEPTED" if payload.accepted else "REFUSED: it counts as a failed calibration.")
    rows = [
        ("line", f"reading = {line.fit.intercept * scale:.5g} {unit} + {line.fit.slope:.6g} x"),
        ("scatter", f"{line.fit.residual_sd * scale:.2g} {unit} ({line.fit.dof} dof)"),
    ]
    for point in line.points:
        value, u = made_right(line, point.reading)
        rows.append(
            (
                f"at {point.reference * scale:.6g} {unit}",
                f"read {point.reading * scale:.6g}, corrected {value * scale:.6g} "
                f"(u {u * scale:.2g})",
            )
        )
    if payload.role == "tester":
        rows += [
            ("class as found", payload.class_found or "none"),
            ("class as left", payload.class_left or "none"),
        ]
    print_facts(rows)
    for shortfall in made.shortfalls:
        click.echo(f"Not a full calibration: {shortfall}.")


@click.command(epilog="Example: station calibrate state --settings bench.toml --json")
@click.option("--instrument", metavar="NAME", help="Only this one.")
@settings_option
@ledger_option
@json_option
def state(
    instrument: str | None, settings_path: Path | None, ledger_path: Path | None, as_json: bool
) -> int:
    """Say what every instrument on record is worth now; exit 1 if one is not in order."""
    settings = read_settings(settings_path)
    with LedgerReader.open(ledger_path or settings.ledger or default_ledger()) as reader:
        found = TrustBook(reader, settings).all()
    if instrument is not None:
        found = [trust for trust in found if trust.instrument == instrument]
        if not found:
            raise BadInput(f"There is no instrument {instrument!r} on record.")
    if as_json:
        print_json([_state_document(trust) for trust in found])
    else:
        for trust in found:
            click.echo(f"{trust.state.value.upper():<9} {trust.sentence}")
        if not found:
            click.echo("No instrument is on record yet.")
    return 1 if any(trust.warns for trust in found) else 0


def _state_document(trust: Trust) -> dict[str, object]:
    role: Role = trust.role
    return {
        "role": role,
        "instrument": trust.instrument,
        "state": trust.state.value,
        "sentence": trust.sentence,
        "blocked": trust.blocked,
        "due_on": trust.standing.due_on and trust.standing.due_on.isoformat(),
        "certificate": None if trust.record is None else trust.record.certificate,
        "checks": len(trust.checks),
    }


COMMANDS = (meter, tester, state)
