"""Commands on what instruments are worth: calibrate fit, calibrate state."""

from collections.abc import Iterator
from pathlib import Path

import click

from calibration.fits import LineFit, curvature_p, fit_line, fit_through_zero, lack_of_fit_p
from station.cli.csv import about, read_table
from station.cli.ledgers import reading
from station.cli.options import bench_options, csv_options, facts, picked, print_result
from station.errors import BadInput
from station.settings import read_settings
from station.shop.trust import InstrumentTrust, Trust

FAR = 2.5
"""In standard deviations from the line: such a point is worth a second look (our own choice)."""

UNLIKELY = 0.05
"""Below this a line is said not to fit (common practice, no source)."""


@click.group(epilog="Example: station calibrate fit weights.csv --at 50")
def calibrate() -> None:
    """Find out what the bench's instruments are worth."""


@calibrate.command(epilog="Example: station calibrate fit weights.csv --at 50 --json")
@click.option("--at", type=float, help="Predict the reading at this reference value.")
@click.option("--through-zero", is_flag=True, help="Force the line through zero.")
@csv_options
def fit(file: Path, at: float | None, through_zero: bool, as_json: bool) -> int:
    """Fit a straight line to FILE with the columns reference and reading.

    Its uncertainties hold where the points scatter evenly about a straight line: curvature is
    tested, and where references were read repeatedly also lack of fit.
    """
    table = read_table(file, ("reference", "reading"))
    with about(file):
        line = (fit_through_zero if through_zero else fit_line)(
            table.numbers("reference"), table.numbers("reading")
        )
    references = table.numbers("reference")
    tests = {
        "curvature_p": curvature_p(line, references),
        "lack_of_fit_p": lack_of_fit_p(line, references),
    }
    prediction, u_prediction = (None, None) if at is None else line.predict(at)
    outliers = [
        table.lines[index]
        for index, residual in enumerate(line.residuals)
        if abs(residual) > FAR * line.residual_sd
    ]
    names = "intercept slope u_intercept u_slope correlation residual_sd dof"
    document = picked(line, names) | {
        "prediction": prediction,
        "u_prediction": u_prediction,
        "outlier_lines": outliers,
        **tests,
    }
    looks = [f"Look again at line {number}: it lies far from the others." for number in outliers]
    print_result(as_json, document, [*_fit_lines(line, at), *looks, *_test_lines(**tests)])
    return 0


def _test_lines(curvature_p: float | None, lack_of_fit_p: float | None) -> Iterator[str]:
    told = [
        f"{words} (p {p:.2g})"
        for words, p in (("they curve", curvature_p), ("they lack fit", lack_of_fit_p))
        if p is not None and p < UNLIKELY
    ]
    if told:
        yield f"The points do not lie about a straight line: {', '.join(told)}. Do not rely on it."
    elif curvature_p is None and lack_of_fit_p is None:
        yield "Whether the line is straight was not tested: it takes more points, or repeats."
    else:
        yield "No curvature or lack of fit is shown."


def _fit_lines(line: LineFit, at: float | None) -> Iterator[str]:
    rows = [
        ("intercept", f"{line.intercept:.6g} (u {line.u_intercept:.2g})"),
        ("slope", f"{line.slope:.6g} (u {line.u_slope:.2g})"),
        ("correlation", "none" if line.correlation is None else f"{line.correlation:.3f}"),
        ("scatter about the line", f"{line.residual_sd:.3g} ({line.dof} degrees of freedom)"),
    ]
    if at is not None:
        prediction, u_prediction = line.predict(at)
        rows.append((f"reading at {at:g}", f"{prediction:.6g} (u {u_prediction:.2g})"))
    return facts(rows)


@calibrate.command(epilog="Example: station calibrate state --settings bench.toml --json")
@click.option("--instrument", metavar="NAME", help="Only this one.")
@bench_options
def state(
    instrument: str | None, settings_path: Path | None, ledger_path: Path | None, as_json: bool
) -> int:
    """Say what every instrument on record is worth now; exit 1 if one is not in order."""
    settings = read_settings(settings_path)
    with reading(ledger_path or settings.ledger) as reader:
        found = Trust(reader, settings).all()
    if instrument is not None:
        found = [trust for trust in found if trust.instrument == instrument]
        if not found:
            raise BadInput(f"There is no instrument {instrument!r} on record.")
    lines = [f"{trust.state.value.upper():<9} {trust.sentence}" for trust in found]
    documents = [_state_document(trust) for trust in found]
    print_result(as_json, documents, lines or ["No instrument is on record yet."])
    return 1 if any(trust.warns for trust in found) else 0


def _state_document(trust: InstrumentTrust) -> dict[str, object]:
    return picked(trust, "role instrument state sentence blocked") | {
        "due_on": trust.standing.due_on and trust.standing.due_on.isoformat(),
        "certificate": None if trust.record is None else trust.record.certificate,
        "checks": len(trust.checks),
    }
