"""Study of drift in anyone's CSV: study drift."""

from pathlib import Path

import click

from station.cli.output import json_option, plot_option, print_facts, print_json, print_warnings
from station.cli.study_figures import draw_drift
from station.cli.tables import read_values
from station.errors import BadInput
from station.statistics.doubts import resolution_doubt
from station.statistics.drift_study import Direction, DriftStudy, drift_study


@click.command(epilog="Example: station study drift pulls.csv --direction down --json")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--center", type=float, help="Mean while nothing has changed.")
@click.option("--sigma", type=float, help="Standard deviation while nothing has changed.")
@click.option(
    "--direction", type=click.Choice(["down", "up", "both"]), default="both", show_default=True
)
@click.option(
    "--in-control-run-length",
    "run_length",
    type=float,
    default=930.0,
    show_default=True,
    help="One false alarm in about so many values.",
)
@plot_option
@json_option  # fmt: skip
def drift(
    file: Path,
    center: float | None,
    sigma: float | None,
    direction: Direction,
    run_length: float,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say whether the column value of FILE has drifted, since when and how fast.

    Without --center and --sigma the first ten values are the baseline, and every later value is
    scored against all before it with that baseline's uncertainty allowed for, so that the run
    length holds; a slow drift is then found later. The slope is that of a straight drift fitted
    from the change on, with a 95 % interval.
    """
    values = read_values(file).numbers("value")
    try:
        study = drift_study(
            values, center=center, sigma=sigma, direction=direction, run_length=run_length
        )
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    doubt = resolution_doubt(values, sd=study.baseline.sigma)
    warnings = [] if doubt is None else [doubt]
    if plot is not None:
        draw_drift(plot, values, study)
    if as_json:
        print_json({**drift_document(study), "warnings": warnings})
    else:
        _print(study, len(values))
        print_warnings(warnings)
    return 0


def drift_document(study: DriftStudy) -> dict[str, object]:
    """A study's figures under the keys of the command line's contract."""
    slope, low, high = study.slopes or (None, None, None)
    return {
        "signal_index": study.signal_index,
        "change_began_index": None if study.change is None else study.change.began,
        "slope_per_sample": slope,
        "slope_low": low,
        "slope_high": high,
        "detector": study.detector,
    }


def _print(study: DriftStudy, count: int) -> None:
    rows = [
        ("values", str(count)),
        ("baseline", f"{study.baseline.center:.6g}, sigma {study.baseline.sigma:.4g}"),
        ("detector", study.detector),
    ]
    if study.change is None or study.slopes is None:
        print_facts([*rows, ("signal", "none")])
        return
    change = study.change
    slope, low, high = study.slopes
    print_facts(
        [
            *rows,
            ("signal at index", str(study.signal_index)),
            ("change began at", f"{change.began} ({change.began_low} to {change.began_high})"),
            ("looks like", "a jump" if change.shape == "step" else "a drift"),
            ("slope per sample", f"{slope:.4g} ({low:.4g} to {high:.4g})"),
        ]
    )
