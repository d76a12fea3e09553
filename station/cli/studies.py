"""Studies on anyone's CSV: gauge, charts, a shop's own limit; others join the group here."""

from pathlib import Path
from statistics import fmean
from typing import Literal

import click
import numpy as np

from calibration.gauge_study import GaugeStudy, crossed_study, nested_study
from calibration.study_plan import Turn
from calibration.telling import Telling, can_tell
from station.cli.capability import capability
from station.cli.compare import compare
from station.cli.drift import drift
from station.cli.output import json_option, plot_option, print_facts, print_json, print_warnings
from station.cli.study_figures import draw_chart, draw_gauge_study
from station.cli.tables import Table, read_values
from station.crimp.limits import shop_resistance_limit_ohm
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.shop.study_figure import GaugePicture
from station.statistics.charts import RuleSet, individuals_chart, means_chart
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt

csv_file = click.Path(path_type=Path, dir_okay=False, exists=True)


@click.group(epilog="Example: station study gauge clips.csv")
def study() -> None:
    """Compute statistics on a CSV file of your own."""


@study.command(epilog="Example: station study gauge pulls.csv --nested --json")
@click.argument("file", type=csv_file)
@click.option("--nested", is_flag=True, help="Each part was measured once and destroyed.")
@click.option("--pool/--no-pool", default=None, help="Pool the interaction; default by its F test.")
@click.option("--limit", type=float, help="Also say whether good can be told from bad here.")
@click.option(
    "--side",
    type=click.Choice(["upper", "lower"]),
    default="upper",
    show_default=True,
    help="Values must stay at most, or at least, at the limit.",
)
@plot_option
@json_option
def gauge(
    file: Path,
    nested: bool,
    pool: bool | None,
    limit: float | None,
    side: Literal["upper", "lower"],
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say how much of the spread in FILE is the gauge.

    Crossed: columns part, appraiser, trial, value. Nested: part, batch, value, and appraiser where
    more than one person measured.
    """
    try:
        table = read_values(
            file, ("part", "batch") if nested else ("part", "appraiser", "trial"),
            ("appraiser",),
        )  # fmt: skip
        result = _nested(table) if nested else _crossed(table, pool)
        warnings = _gauge_doubts(table, result)
        unpooled = None if nested else _crossed(table, False)
        telling = None if limit is None else can_tell(
            result.gauge_sd, result.part_sd, fmean(table.numbers("value")), limit, side=side
        )  # fmt: skip
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    if plot is not None:
        draw_gauge_study(plot, _picture(table, result, telling))
    if as_json:
        document = study_document(result)
        document["unpooled"] = None if unpooled is None else study_document(unpooled)
        document["telling"] = None if telling is None else telling_document(telling)
        document["warnings"] = warnings
        print_json(document)
    else:
        _print(result, unpooled)
        if telling is not None:
            _print_telling(telling)
        print_warnings(warnings)
    return 0


def _gauge_doubts(table: Table, result: GaugeStudy) -> list[str]:
    values = table.numbers("value")
    if min(values) == max(values):
        raise ValueError(
            "all values are equal: the resolution is too coarse, so nothing is shown of the gauge"
        )
    if result.repeatability_sd == 0.0:
        return ["Repeats do not differ at all: the resolution is too coarse to show the gauge."]
    doubt = resolution_doubt(values, sd=result.repeatability_sd)
    return [] if doubt is None else [doubt]


def _crossed(table: Table, pool: bool | None) -> GaugeStudy:
    seen: set[tuple[str, str, str]] = set()
    for key, line in zip(
        zip(table.words("part"), table.words("appraiser"), table.words("trial"), strict=True),
        table.lines,
        strict=True,
    ):
        if key in seen:
            raise BadInput(
                f"{table.path.name} line {line}: part {key[0]}, appraiser {key[1]}, trial {key[2]} "
                "comes twice."
            )
        seen.add(key)
    return crossed_study(
        table.words("part"), table.words("appraiser"), table.numbers("value"), pool=pool
    )


def _nested(table: Table) -> GaugeStudy:
    parts = table.words("part")
    batches = table.words("batch")
    people = table.words("appraiser") if table.has("appraiser") else None
    seen: set[tuple[str, str]] = set()
    for key, line in zip(zip(batches, parts, strict=True), table.lines, strict=True):
        if key in seen:
            raise BadInput(
                f"{table.path.name} line {line}: part {key[1]} of batch {key[0]} comes twice, but "
                "a pulled part is gone: use a study without --nested, or number the parts."
            )
        seen.add(key)
    return nested_study(batches, table.numbers("value"), people)


def _picture(table: Table, result: GaugeStudy, telling: Telling | None) -> GaugePicture:
    count = len(table.lines)
    people = table.words("appraiser") if table.has("appraiser") else [""] * count
    batches = table.words("batch") if table.has("batch") else [""] * count
    turns = [
        Turn(person, part, batch=batch)
        for person, part, batch in zip(people, table.words("part"), batches, strict=True)
    ]
    return GaugePicture(table.numbers("value"), turns, "", result.gauge_sd, result.part_sd, telling)


def study_document(result: GaugeStudy) -> dict[str, object]:
    """A study's figures under the keys of the command line's contract."""
    return {
        "repeatability_sd": result.repeatability_sd,
        "reproducibility_sd": result.reproducibility_sd,
        "interaction_sd": result.interaction_sd,
        "gauge_sd": result.gauge_sd,
        "part_sd": result.part_sd,
        "total_sd": result.total_sd,
        "percent_gauge": result.percent_gauge,
        "distinct_categories": result.distinct_categories,
        "pooled": result.pooled,
        "floored_to_zero": list(result.floored),
        "anova": [
            {
                "source": line.name,
                "sum_of_squares": line.sum_of_squares,
                "dof": line.dof,
                "f": line.f,
                "p": line.p,
            }
            for line in result.sources
        ],
    }


def telling_document(telling: Telling) -> dict[str, object]:
    """Whether good can be told from bad at a limit, in the unit of the values."""
    return {
        "answer": telling.answer,
        "limit": telling.limit,
        "mean": telling.mean,
        "margin": telling.margin,
        "blind_half_width": telling.blind_half_width,
        "share_decided": telling.share_decided,
        "sentence": telling.sentence,
    }


def _print_telling(telling: Telling) -> None:
    """Print the answer, and a ruler: parts as dots, the blind zone as hatching, the limit as |."""
    click.echo(telling.sentence)
    reach = max(abs(telling.margin) + telling.blind_half_width, 2.0 * telling.blind_half_width)
    if reach > 0.0:
        places = [telling.limit + reach * step / 20.0 for step in range(-24, 25)]
        click.echo("".join(_ruler_mark(telling, place, reach / 40.0) for place in places))
        click.echo("o mean of the parts   / undecided   | limit   - decided")


def _ruler_mark(telling: Telling, place: float, half_step: float) -> str:
    if abs(place - telling.limit) <= half_step:
        return "|"
    if abs(place - telling.mean) <= half_step:
        return "o"
    return "/" if abs(place - telling.limit) <= telling.blind_half_width else "-"


def _print(result: GaugeStudy, unpooled: GaugeStudy | None) -> None:
    def shown(sd: float | None) -> str:
        return "not in this study" if sd is None else f"{sd:.6g}"

    percent, kinds = result.percent_gauge, result.distinct_categories
    rows = [
        ("repeatability", shown(result.repeatability_sd)),
        ("reproducibility", shown(result.reproducibility_sd)),
        ("interaction", shown(result.interaction_sd)),
        ("gauge", shown(result.gauge_sd)),
        ("parts", shown(result.part_sd)),
        ("total", shown(result.total_sd)),
        ("gauge share of total", "no spread" if percent is None else f"{percent:.1f} %"),
        ("kinds it can tell apart", "no spread" if kinds is None else str(kinds)),
    ]
    print_facts(rows)
    if result.pooled:
        click.echo("A negligible term was pooled into repeatability.")
    for name in result.floored:
        click.echo(f"The estimate for {name} came out negative and is stated as 0.")
    if unpooled is not None and result.pooled:
        click.echo(
            f"Without pooling: repeatability {unpooled.repeatability_sd:.6g}, gauge "
            f"{unpooled.gauge_sd:.6g}, parts {unpooled.part_sd:.6g}."
        )


@study.command(epilog="Example: station study charts pulls.csv --rules we --json")
@click.argument("file", type=csv_file)
@click.option(
    "--rules", type=click.Choice(("we", "nelson", "none")), default="none", show_default=True
)
@click.option("--center", type=float, help="Centre line, where it is known.")
@click.option("--sigma", type=float, help="Deviation of a single value, where it is known.")
@plot_option
@json_option
def charts(
    file: Path,
    rules: RuleSet,
    center: float | None,
    sigma: float | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Put the column value of FILE on a control chart; with a column subgroup, its means."""
    table = read_values(file, (), ("subgroup",))
    values = table.numbers("value")
    try:
        if table.has("subgroup"):
            names = table.words("subgroup")
            chart = means_chart(values, names, center=center, sigma=sigma, rules=rules)
        else:
            chart = individuals_chart(values, center=center, sigma=sigma, rules=rules)
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    if plot is not None:
        draw_chart(plot, chart)
    doubt = resolution_doubt(values)
    warnings = [] if doubt is None else [doubt]
    signals = [{"index": signal.index, "rule": signal.rule} for signal in chart.signals]
    if as_json:
        print_json(
            {
                "center": chart.center,
                "sigma": chart.sigma,
                "lower": chart.lower,
                "upper": chart.upper,
                "points": list(chart.points),
                "signals": signals,
                "warnings": warnings,
            }
        )
        return 0
    print_facts(
        [
            ("points", str(len(chart.points))),
            ("centre", f"{chart.center:.6g}"),
            ("limits", f"{chart.lower:.6g} to {chart.upper:.6g} (sigma {chart.sigma:.4g})"),
            ("signals", "none" if not signals else str(len(signals))),
        ]
    )
    for signal in chart.signals:
        click.echo(f"    point {signal.index} (from 0): {signal.rule}")
    print_warnings(warnings)
    return 0


study.add_command(capability)
study.add_command(compare)
study.add_command(drift)


@study.command("shop-limit", epilog="Example: station study shop-limit splices.csv --size '18 AWG'")
@click.argument("file", type=csv_file)
@click.option("--size", required=True, help="Wire size that the limit is for.")
@click.option("--coverage", type=float, default=0.99, show_default=True)
@click.option("--confidence", type=float, default=0.95, show_default=True)
@json_option
def shop_limit(file: Path, size: str, coverage: float, confidence: float, as_json: bool) -> int:
    """Derive a shop's own resistance limit from the splices of a validated tool.

    FILE has the column value, splice resistance in milliohm. Prints the row for a limit set of
    your own: the resistance below which that share of such crimps lies, with that confidence.
    """
    label = parse_size(size).label
    values = read_values(file).numbers("value")
    if min(values) <= 0.0:
        raise BadInput(f"{file.name}: a splice resistance is not above 0 milliohm.")
    if len(values) > 1 and min(values) == max(values):
        raise BadInput(f"{file.name}: all values are equal, so no limit follows from their spread.")
    logs = np.log(np.array(values) * 1e-3)
    sd = float(np.std(logs, ddof=1)) if logs.size > 1 else 0.0
    try:
        limit_ohm = shop_resistance_limit_ohm(
            float(logs.mean()), sd, logs.size, coverage=coverage, confidence=confidence
        )
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    of = " as logarithms"
    doubts = (shape_doubt(logs, of), outlier_doubt(logs, of), resolution_doubt(values))
    warnings = [doubt for doubt in doubts if doubt is not None]
    if as_json:
        print_json({
            "size": label, "n": int(logs.size), "resistance_max_mohm": limit_ohm * 1e3,
            "warnings": warnings,
        })  # fmt: skip
    else:
        click.echo(f'"{label}" = {limit_ohm * 1e3:.3g}    # mohm, from {logs.size} splices')
        print_warnings(warnings)
    return 0


COMMANDS = (study,)
