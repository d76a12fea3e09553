"""Studies of values in time order, in anyone's CSV: study charts, study drift."""

from collections.abc import Iterator
from pathlib import Path

import click

from station.cli.csv import about, read_values
from station.cli.options import facts, picked, print_result, study_options, warned
from station.cli.study_figures import draw_chart, draw_drift
from station.errors import BadInput
from station.statistics.charts import (
    Chart,
    RuleSet,
    cusum_chart,
    ewma_chart,
    individuals_chart,
    means_chart,
)
from station.statistics.doubts import resolution_doubt
from station.statistics.drift_study import (
    ASSUMES,
    DEFAULT_BASELINE,
    DETECTOR,
    Direction,
    DriftStudy,
    drift_study,
)

KINDS = ("individuals", "ewma", "cusum")


@click.command(epilog="Example: station study charts pulls.csv --rules we --json")
@click.option(
    "--kind", type=click.Choice(KINDS), default="individuals",
    help="Values as they are, their moving average, or their cumulative sums.",
)  # fmt: skip
@click.option(
    "--rules", type=click.Choice(("we", "nelson", "none")), default="none",
    help="Run rules, for individuals.",
)  # fmt: skip
@click.option("--center", type=float, help="Centre line, where it is known.")
@click.option("--sigma", type=float, help="Deviation of a single value, where it is known.")
@click.option("--weight", type=float, help="Of the newest value in an ewma; default 0.2.")
@click.option("--width", type=float, help="Limits of an ewma in its own deviations; default 3.")
@click.option("--reference", type=float, help="k of a cusum in deviations; default 0.5.")
@click.option("--threshold", type=float, help="h of a cusum in deviations; default 5.")
@study_options
def charts(
    file: Path,
    kind: str,
    rules: RuleSet,
    center: float | None,
    sigma: float | None,
    plot: Path | None,
    as_json: bool,
    **scheme: float | None,
) -> int:
    """Put the column value of FILE on a control chart; with a column subgroup, its means.

    An ewma finds small lasting shifts by an average that forgets slowly; a cusum adds up what the
    values lie above and below the centre, each side by itself (lower_points are the negative one).
    """
    given = {name: value for name, value in scheme.items() if value is not None}
    foreign = [f"--{name}" for name in given if name not in OWN[kind]]
    if rules != "none" and kind != "individuals":
        foreign.append("--rules")
    if foreign:
        raise BadInput(f"{', '.join(foreign)} does not go with --kind {kind}: leave it out.")
    table = read_values(file, (), ("subgroup",))
    values = table.numbers("value")
    with about(file):
        if kind == "ewma":
            chart = ewma_chart(values, center=center, sigma=sigma, **given)
        elif kind == "cusum":
            chart = cusum_chart(values, center=center, sigma=sigma, **given)
        elif table.has("subgroup"):
            names = table.words("subgroup")
            chart = means_chart(values, names, center=center, sigma=sigma, rules=rules)
        else:
            chart = individuals_chart(values, center=center, sigma=sigma, rules=rules)
    if plot is not None:
        draw_chart(plot, chart)
    doubt = resolution_doubt(values)
    warnings = [] if doubt is None else [doubt]
    document = _chart_document(chart, kind) | {"warnings": warnings}
    print_result(as_json, document, [*_chart_lines(chart), *warned(warnings)])
    return 0


OWN = {"individuals": (), "ewma": ("weight", "width"), "cusum": ("reference", "threshold")}
"""Options that only one kind of chart takes."""


def _chart_document(chart: Chart, kind: str) -> dict[str, object]:
    found = picked(chart, "center sigma lower upper") | {
        "points": list(chart.points),
        "signals": [picked(signal, "index rule") for signal in chart.signals],
    }
    if kind == "individuals":
        return found
    low = chart.lower_points
    return found | {"kind": kind, "lower_points": None if low is None else list(low)}


def _chart_lines(chart: Chart) -> Iterator[str]:
    yield from facts(
        [
            ("points", str(len(chart.points))),
            ("centre", f"{chart.center:.6g}"),
            ("limits", f"{chart.lower:.6g} to {chart.upper:.6g} (sigma {chart.sigma:.4g})"),
            ("signals", str(len(chart.signals) or "none")),
        ]
    )
    yield from (f"    point {signal.index} (from 0): {signal.rule}" for signal in chart.signals)


@click.command(epilog="Example: station study drift pulls.csv --direction down --json")
@click.option("--center", type=float, help="Mean while nothing has changed.")
@click.option("--sigma", type=float, help="Standard deviation while nothing has changed.")
@click.option(
    "--baseline",
    type=int,
    default=DEFAULT_BASELINE,
    show_default=True,
    help="Without --center and --sigma: so many values at the start are the baseline.",
)
@click.option(
    "--day", metavar="COLUMN", help="Day of each value: what those of one day share is allowed for."
)
@click.option("--direction", type=click.Choice(["down", "up", "both"]), default="both")
@click.option(
    "--in-control-run-length",
    "run_length",
    type=float,
    default=930.0,
    help="One false alarm in about so many values; a nest is watched at 5,000.",
)
@study_options
def drift(
    file: Path,
    center: float | None,
    sigma: float | None,
    baseline: int,
    day: str | None,
    direction: Direction,
    run_length: float,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say whether the column value of FILE has drifted, since when and how fast.

    The values after the baseline are watched, and indices count from the first of them. One false
    alarm comes in about as many values as asked for, whatever the size of the baseline, if the
    values are bell-shaped and do not depend on their neighbours; with --day, what the values of one
    day have in common is learnt after 20 days and allowed for: before, days are taken as alike. The
    slope is that of a straight drift fitted from the change on, with a 95 % interval.
    """
    table = read_values(file, () if day is None else (day,))
    values = table.numbers("value")
    days = None if day is None else table.words(day)
    with about(file):
        study = drift_study(
            values, center=center, sigma=sigma, baseline=baseline, direction=direction,
            run_length=run_length, days=days,
        )  # fmt: skip
    doubt = resolution_doubt(values, sd=study.baseline.sigma)
    warnings = [] if doubt is None else [doubt]
    if plot is not None:
        draw_drift(plot, values, study)
    slope, low, high = study.slopes or (None, None, None)
    document = {
        "signal_index": study.signal_index,
        "change_began_index": None if study.change is None else study.change.began,
        "slope_per_sample": slope,
        "slope_low": low,
        "slope_high": high,
        "detector": DETECTOR,
        "detectable": {"sigma": 1.0, "within": study.one_sigma_within},
        "assumes": list(ASSUMES),
        "warnings": warnings,
    }
    print_result(as_json, document, [*_drift_lines(study, len(values)), *warned(warnings)])
    return 0


def _drift_lines(study: DriftStudy, count: int) -> Iterator[str]:
    rows = [
        ("values", str(count)),
        ("baseline", f"{study.baseline.center:.6g}, sigma {study.baseline.sigma:.4g}"),
        ("detector", DETECTOR),
        ("assumes", "; ".join(ASSUMES)),
    ]
    if study.change is None or study.slopes is None:
        within = study.one_sigma_within
        seen = "not for sure" if within is None else f"within about {within} values"
        return facts([*rows, ("signal", "none"), ("one sigma is found", seen)])
    change = study.change
    slope, low, high = study.slopes
    return facts(
        [
            *rows,
            ("signal at index", str(study.signal_index)),
            ("change began at", f"{change.began} ({change.began_low} to {change.began_high})"),
            ("looks like", "a jump" if change.shape == "step" else "a drift"),
            ("slope per sample", f"{slope:.4g} ({low:.4g} to {high:.4g})"),
        ]
    )
