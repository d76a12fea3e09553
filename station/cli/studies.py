"""Studies on anyone's CSV: study gauge."""

from pathlib import Path

import click

from calibration.gauge_study import GaugeStudy, crossed_study, nested_study
from station.cli.output import json_option, print_facts, print_json
from station.cli.tables import Table, read_table
from station.errors import BadInput

csv_file = click.Path(path_type=Path, dir_okay=False, exists=True)


@click.group(epilog="Example: station study gauge clips.csv")
def study() -> None:
    """Compute statistics on a CSV file of your own."""


@study.command(epilog="Example: station study gauge pulls.csv --nested --json")
@click.argument("file", type=csv_file)
@click.option("--nested", is_flag=True, help="Each part was measured once and destroyed.")
@click.option("--pool/--no-pool", default=None, help="Pool the interaction; default by its F test.")
@json_option
def gauge(file: Path, nested: bool, pool: bool | None, as_json: bool) -> int:
    """Say how much of the spread in FILE is the gauge.

    Crossed: columns part, appraiser, trial, value. Nested: part, batch, value, and appraiser where
    more than one person measured.
    """
    try:
        table = read_table(
            file, ("part", "batch", "value") if nested else ("part", "appraiser", "trial", "value"),
            ("appraiser",),
        )  # fmt: skip
        result = _nested(table) if nested else _crossed(table, pool)
        unpooled = None if nested else _crossed(table, False)
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    if as_json:
        document = study_document(result)
        document["unpooled"] = None if unpooled is None else study_document(unpooled)
        print_json(document)
    else:
        _print(result, unpooled)
    return 0


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


def _print(result: GaugeStudy, unpooled: GaugeStudy | None) -> None:
    def shown(sd: float | None) -> str:
        return "not in this study" if sd is None else f"{sd:.6g}"

    percent = result.percent_gauge
    rows = [
        ("repeatability", shown(result.repeatability_sd)),
        ("reproducibility", shown(result.reproducibility_sd)),
        ("interaction", shown(result.interaction_sd)),
        ("gauge", shown(result.gauge_sd)),
        ("parts", shown(result.part_sd)),
        ("total", shown(result.total_sd)),
        ("gauge share of total", "no spread" if percent is None else f"{percent:.1f} %"),
        ("kinds it can tell apart", str(result.distinct_categories)),
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


COMMANDS = (study,)
