"""Study of two groups in anyone's CSV: study compare."""

from pathlib import Path
from typing import Literal

import click

from station.cli.output import json_option, plot_option, print_facts, print_json, print_warnings
from station.cli.study_figures import draw_comparison
from station.cli.tables import Table, read_values
from station.errors import BadInput
from station.statistics.comparison import Comparison, Estimate
from station.statistics.comparison import compare as compare_groups

Better = Literal["higher", "lower"]


@click.command(epilog="Example: station study compare pulls.csv --groups 'tool A' 'tool B' --json")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option(
    "--groups", nargs=2, metavar="FIRST SECOND", help="Which two groups; needed if there are more."
)
@click.option(
    "--better",
    type=click.Choice(["higher", "lower"]),
    default="higher",
    show_default=True,
    help="Which values are better: higher for pull force, lower for resistance.",
)
@click.option("--confidence", type=float, default=0.95, show_default=True)
@plot_option
@json_option
def compare(
    file: Path,
    groups: tuple[str, str] | None,
    better: Better,
    confidence: float,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say whether two groups in FILE differ: two tools, two lots, two people.

    FILE has the columns group and value; values of different joints are not comparable, so keep to
    one wire and connector.
    """
    table = read_values(file, ("group",))
    names = _two_groups(table, groups)
    values = table.numbers("value")
    first, second = (
        [value for value, own in zip(values, table.words("group"), strict=True) if own == name]
        for name in names
    )
    try:
        result = compare_groups(first, second, names=names, confidence=confidence)
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
    if plot is not None:
        draw_comparison(plot, (first, second), names, result)
    if as_json:
        print_json(comparison_document(result, names, better))
    else:
        print_comparison(result, names, better)
    return 0


def _two_groups(table: Table, asked: tuple[str, str] | None) -> tuple[str, str]:
    present = list(dict.fromkeys(table.words("group")))
    shown = ", ".join(present[:10]) + (", ..." if len(present) > 10 else "")
    if asked is None:
        if len(present) != 2:
            raise BadInput(
                f"{table.path.name} has {len(present)} groups ({shown}): a comparison takes two, "
                "name them with --groups."
            )
        return present[0], present[1]
    if asked[0] == asked[1]:
        raise BadInput(f"The group {asked[0]} is named twice: name two different groups.")
    for name in asked:
        if name not in present:
            raise BadInput(f"{table.path.name} has no group {name!r}: its groups are {shown}.")
    return asked


def comparison_document(
    result: Comparison, names: tuple[str, str], better: Better
) -> dict[str, object]:
    """Figures by name; differences and ratios are of the first group against the second."""
    chance = _chance_better(result, better)
    which = better_group(result, better)
    return {
        "groups": [
            {"name": name, "n": own.n, "mean": own.mean, "sd": own.sd, "median": own.median}
            for name, own in zip(names, result.groups, strict=True)
        ],
        "better": better,
        "better_group": None if which is None else names[which],
        "confidence": result.confidence,
        **_keys("difference", result.difference),
        "difference_dof": result.dof,
        **_keys("typical_difference", result.typical_difference),
        **_keys("chance_better", chance),
        **_keys("spread_ratio", result.spread_ratio),
        "warnings": list(result.warnings),
    }


def better_group(result: Comparison, better: Better) -> int | None:
    """Which group, 0 or 1, is better by its mean; None where that is not shown."""
    if result.higher is None or better == "higher":
        return result.higher
    return 1 - result.higher


def _chance_better(result: Comparison, better: Better) -> Estimate:
    chance = result.chance_above
    if better == "higher" or chance.low is None or chance.high is None:
        return chance
    return Estimate(1.0 - chance.value, 1.0 - chance.high, 1.0 - chance.low, chance.p)


def _keys(name: str, estimate: Estimate | None) -> dict[str, float | None]:
    found = estimate or Estimate(0.0, None, None)
    return {
        name: None if estimate is None else found.value,
        f"{name}_low": found.low,
        f"{name}_high": found.high,
        f"{name}_p": found.p,
    }


def print_comparison(result: Comparison, names: tuple[str, str], better: Better) -> None:
    """Print a comparison for people."""
    which = better_group(result, better)
    share = f"with {result.confidence:.0%} confidence"
    if which is None:
        click.echo(f"No difference between {names[0]} and {names[1]} is shown {share}.")
    else:
        click.echo(f"{names[which]} is better than {names[1 - which]} {share}.")
    chance = _chance_better(result, better)
    print_facts(
        [
            *(
                (name, f"{own.n} values, mean {own.mean:.5g}, deviation {own.sd:.3g}")
                for name, own in zip(names, result.groups, strict=True)
            ),
            ("difference of means", _shown(result.difference)),
            ("typical difference", _shown(result.typical_difference)),
            (f"chance that {names[0]} is better", _shown(chance)),
            ("ratio of spreads", _shown(result.spread_ratio)),
        ]
    )
    print_warnings(result.warnings)


def _shown(estimate: Estimate | None) -> str:
    if estimate is None:
        return "no spread"
    if estimate.low is None or estimate.high is None:
        return f"{estimate.value:.4g} (no interval from so few)"
    return f"{estimate.value:.4g} ({estimate.low:.4g} to {estimate.high:.4g})"
