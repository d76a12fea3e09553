"""The group calibrate, and calibrate fit."""

from pathlib import Path

import click

from calibration.fits import LineFit, fit_line, fit_through_zero, standardised_residuals
from station.cli.calibration_checks import COMMANDS as CHECK_COMMANDS
from station.cli.calibration_records import COMMANDS as RECORD_COMMANDS
from station.cli.calibration_standards import COMMANDS as STANDARD_COMMANDS
from station.cli.look_back import COMMANDS as LOOK_BACK_COMMANDS
from station.cli.output import json_option, print_facts, print_json
from station.cli.tables import read_table
from station.errors import BadInput

_csv_file = click.Path(path_type=Path, dir_okay=False, exists=True)


@click.group(epilog="Example: station calibrate fit weights.csv --at 50")
def calibrate() -> None:
    """Find out what the bench's instruments are worth."""


@calibrate.command(epilog="Example: station calibrate fit weights.csv --at 50 --json")
@click.argument("file", type=_csv_file)
@click.option("--at", type=float, help="Predict the reading at this reference value.")
@click.option("--through-zero", is_flag=True, help="Force the line through zero.")
@json_option
def fit(file: Path, at: float | None, through_zero: bool, as_json: bool) -> int:
    """Fit a straight line to FILE with the columns reference and reading."""
    table = read_table(file, ("reference", "reading"))
    try:
        line = (fit_through_zero if through_zero else fit_line)(
            table.numbers("reference"), table.numbers("reading")
        )
    except ValueError as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput(f"{file.name}: {error}.") from error
    prediction, u_prediction = (None, None) if at is None else line.predict(at)
    outliers = [
        table.lines[index]
        for index, size in enumerate(standardised_residuals(line))
        if abs(size) > 2.5
    ]
    if as_json:
        print_json(_document(line, prediction, u_prediction, outliers))
    else:
        _print(line, at, prediction, u_prediction)
        for number in outliers:
            click.echo(f"Look again at line {number}: it lies far from the others.")
    return 0


def _document(
    line: LineFit, prediction: float | None, u_prediction: float | None, outliers: list[int]
) -> dict[str, object]:
    return {
        "intercept": line.intercept,
        "slope": line.slope,
        "u_intercept": line.u_intercept,
        "u_slope": line.u_slope,
        "correlation": line.correlation,
        "residual_sd": line.residual_sd,
        "dof": line.dof,
        "prediction": prediction,
        "u_prediction": u_prediction,
        "outlier_lines": outliers,
    }


def _print(
    line: LineFit, at: float | None, prediction: float | None, u_prediction: float | None
) -> None:
    rows = [
        ("intercept", f"{line.intercept:.6g} (u {line.u_intercept:.2g})"),
        ("slope", f"{line.slope:.6g} (u {line.u_slope:.2g})"),
        ("correlation", "none" if line.correlation is None else f"{line.correlation:.3f}"),
        ("scatter about the line", f"{line.residual_sd:.3g} ({line.dof} degrees of freedom)"),
    ]
    if prediction is not None:
        rows.append((f"reading at {at:g}", f"{prediction:.6g} (u {u_prediction:.2g})"))
    print_facts(rows)


for _command in (*RECORD_COMMANDS, *CHECK_COMMANDS, *STANDARD_COMMANDS, *LOOK_BACK_COMMANDS):
    calibrate.add_command(_command)

COMMANDS = (calibrate,)
