"""Studies on anyone's CSV: the group study, gauge studies, and a shop's own limit."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from statistics import fmean
from typing import Literal

import click
import numpy as np

from calibration.gauge_study import GaugeStudy, crossed_study, nested_study
from calibration.study_plan import Turn
from calibration.telling import Telling, can_tell
from station.cli.csv import Table, about, read_values
from station.cli.options import (
    csv_options,
    facts,
    picked,
    print_result,
    study_options,
    warned,
)
from station.cli.study_capability import capability, compare
from station.cli.study_charts import charts, drift
from station.cli.study_figures import draw_gauge_study
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.shop.study_figure import GaugePicture
from station.statistics.capability import shop_resistance_limit_ohm
from station.statistics.doubts import outlier_doubt, resolution_doubt, shape_doubt


@click.group(epilog="Example: station study gauge clips.csv")
def study() -> None:
    """Compute statistics on a CSV file of your own."""


@study.command(epilog="Example: station study gauge pulls.csv --nested --json")
@click.option("--nested", is_flag=True, help="Each part was measured once and destroyed.")
@click.option("--pool/--no-pool", default=None, help="Pool the interaction; default by its F test.")
@click.option("--limit", type=float, help="Also say whether good can be told from bad here.")
@click.option(
    "--side",
    type=click.Choice(["upper", "lower"]),
    default="upper",
    help="Values must stay at most, or at least, at the limit.",
)
@study_options
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
    columns = ("part", "batch") if nested else ("part", "appraiser", "trial")
    table = read_values(file, columns, ("appraiser",))
    with about(file):
        result = _nested(table) if nested else _crossed(table, pool)
        warnings = _gauge_doubts(table, result)
        unpooled = None if nested else _crossed(table, False)
        telling = None if limit is None else can_tell(
            result.gauge_sd, result.part_sd, fmean(table.numbers("value")), limit, side=side
        )  # fmt: skip
    if plot is not None:
        draw_gauge_study(plot, _picture(table, result, telling))
    said = "answer limit mean margin blind_half_width share_decided sentence"
    document = _document(result) | {
        "unpooled": None if unpooled is None else _document(unpooled),
        "telling": None if telling is None else picked(telling, said),
        "warnings": warnings,
    }
    ruler = () if telling is None else _telling_lines(telling)
    print_result(as_json, document, [*_lines(result, unpooled), *ruler, *warned(warnings)])
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
    parts, people = table.words("part"), table.words("appraiser")
    _refuse_twice(
        table,
        zip(parts, people, table.words("trial"), strict=True),
        "part {}, appraiser {}, trial {} comes twice.",
    )
    return crossed_study(parts, people, table.numbers("value"), pool=pool)


def _nested(table: Table) -> GaugeStudy:
    batches = table.words("batch")
    people = table.words("appraiser") if table.has("appraiser") else None
    _refuse_twice(
        table,
        zip(table.words("part"), batches, strict=True),
        "part {} of batch {} comes twice, but a pulled part is gone: use a study without --nested, "
        "or number the parts.",
    )
    return nested_study(batches, table.numbers("value"), people)


def _refuse_twice(table: Table, keys: Iterable[tuple[str, ...]], form: str) -> None:
    seen: set[tuple[str, ...]] = set()
    for key, line in zip(keys, table.lines, strict=True):
        if key in seen:
            raise BadInput(f"{table.path.name} line {line}: {form.format(*key)}")
        seen.add(key)


def _picture(table: Table, result: GaugeStudy, telling: Telling | None) -> GaugePicture:
    count = len(table.lines)
    people = table.words("appraiser") if table.has("appraiser") else [""] * count
    batches = table.words("batch") if table.has("batch") else [""] * count
    turns = [
        Turn(person, part, batch=batch)
        for person, part, batch in zip(people, table.words("part"), batches, strict=True)
    ]
    return GaugePicture(table.numbers("value"), turns, "", result.gauge_sd, result.part_sd, telling)


def _document(result: GaugeStudy) -> dict[str, object]:
    names = (
        "repeatability_sd reproducibility_sd interaction_sd gauge_sd part_sd total_sd "
        "percent_gauge distinct_categories pooled"
    )
    return picked(result, names) | {
        "floored_to_zero": list(result.floored),
        "anova": [
            {"source": line.name} | picked(line, "sum_of_squares dof f p")
            for line in result.sources
        ],
    }


def _telling_lines(telling: Telling) -> Iterator[str]:
    """The answer, and a ruler: parts as dots, the blind zone as hatching, the limit as |."""
    yield telling.sentence
    reach = max(abs(telling.margin) + telling.blind_half_width, 2.0 * telling.blind_half_width)
    if reach > 0.0:
        places = [telling.limit + reach * step / 20.0 for step in range(-24, 25)]
        yield "".join(_ruler_mark(telling, place, reach / 40.0) for place in places)
        yield "o mean of the parts   / undecided   | limit   - decided"


def _ruler_mark(telling: Telling, place: float, half_step: float) -> str:
    if abs(place - telling.limit) <= half_step:
        return "|"
    if abs(place - telling.mean) <= half_step:
        return "o"
    return "/" if abs(place - telling.limit) <= telling.blind_half_width else "-"


def _lines(result: GaugeStudy, unpooled: GaugeStudy | None) -> Iterator[str]:
    def shown(sd: float | None) -> str:
        return "not in this study" if sd is None else f"{sd:.6g}"

    percent, kinds = result.percent_gauge, result.distinct_categories
    yield from facts(
        [
            ("repeatability", shown(result.repeatability_sd)),
            ("reproducibility", shown(result.reproducibility_sd)),
            ("interaction", shown(result.interaction_sd)),
            ("gauge", shown(result.gauge_sd)),
            ("parts", shown(result.part_sd)),
            ("total", shown(result.total_sd)),
            ("gauge share of total", "no spread" if percent is None else f"{percent:.1f} %"),
            ("kinds it can tell apart", "no spread" if kinds is None else str(kinds)),
        ]
    )
    if result.pooled:
        yield "A negligible term was pooled into repeatability."
    for name in result.floored:
        yield f"The estimate for {name} came out negative and is stated as 0."
    if unpooled is not None and result.pooled:
        yield (
            f"Without pooling: repeatability {unpooled.repeatability_sd:.6g}, gauge "
            f"{unpooled.gauge_sd:.6g}, parts {unpooled.part_sd:.6g}."
        )


@study.command("shop-limit", epilog="Example: station study shop-limit splices.csv --size '18 AWG'")
@click.option("--size", required=True, help="Wire size that the limit is for.")
@click.option("--coverage", default=0.99)
@click.option("--confidence", default=0.95)
@csv_options
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
    with about(file):
        limit_ohm = shop_resistance_limit_ohm(
            float(logs.mean()), sd, logs.size, coverage=coverage, confidence=confidence
        )
    of = " as logarithms"
    doubts = (shape_doubt(logs, of), outlier_doubt(logs, of), resolution_doubt(values))
    warnings = [doubt for doubt in doubts if doubt is not None]
    document = {"size": label, "n": int(logs.size), "resistance_max_mohm": limit_ohm * 1e3}
    row = f'"{label}" = {limit_ohm * 1e3:.3g}    # mohm, from {logs.size} splices'
    print_result(as_json, document | {"warnings": warnings}, [row, *warned(warnings)])
    return 0


for _command in (capability, compare, charts, drift):
    study.add_command(_command)
