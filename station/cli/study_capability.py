"""Studies of a process in anyone's CSV: study capability, study compare."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import click

from station.cli.csv import Table, about, read_values
from station.cli.options import (
    csv_argument,
    json_option,
    picked,
    plot_option,
    print_facts,
    print_json,
    print_warnings,
)
from station.cli.study_figures import draw_capability, draw_comparison
from station.errors import BadInput
from station.statistics.capability import AttributeCapability, Capability, attribute_capability
from station.statistics.capability import capability as capability_of
from station.statistics.comparison import Comparison, Estimate
from station.statistics.comparison import compare as compare_groups
from station.statistics.planning import chance_of_success_run, chance_to_pass, samples_for_chance

LIKELY = 0.9
"""Chance that the printed number of samples is to give."""


@dataclass(frozen=True, slots=True)
class Foresight:
    """What is to be expected of more samples; None where it cannot be said.

    Attributes
    ----------
    plan_n, plan_chance
        Samples of the plan in the end, and the chance that they will pass.
    likely_more
        Samples to add for a chance of :data:`LIKELY`.
    """

    plan_n: int | None
    plan_chance: float | None
    likely_more: int | None


@click.command(epilog="Example: station study capability pulls.csv --lower 89 --json")
@csv_argument
@click.option("--lower", type=float, help="Limit that values must reach.")
@click.option("--attribute", is_flag=True, help="Values are pass or fail: judge the share.")
@click.option("--coverage", type=float, default=0.95, show_default=True)
@click.option("--confidence", type=float, default=0.95, show_default=True)
@click.option(
    "--plan-n",
    type=int,
    help="Values there will be in the end: also print the chance that they will pass.",
)
@plot_option
@json_option
def capability(
    file: Path,
    lower: float | None,
    attribute: bool,
    coverage: float,
    confidence: float,
    plan_n: int | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say whether the column value of FILE meets a lower limit, with coverage and confidence.

    While samples are still to come, --plan-n says how likely they are to bring a pass. With
    --attribute the values are the words pass and fail, and coverage is the share that must pass.
    """
    if attribute:
        if lower is not None or plot is not None:
            raise BadInput("--attribute has no --lower and no --plot: leave them out.")
        return _attribute(file, coverage, confidence, plan_n, as_json)
    if lower is None:
        raise BadInput("Say with --lower which limit the values must reach, or use --attribute.")
    values = read_values(file).numbers("value")
    with about(file):
        result = capability_of(values, lower, coverage=coverage, confidence=confidence)
        foresight = _foresight(result, lower, coverage, confidence, plan_n)
    if plot is not None:
        words = f"{coverage:.0%} of all lie above it, with {confidence:.0%} confidence"
        draw_capability(plot, values, result, lower, words)
    if as_json:
        print_json(capability_document(result, foresight))
    else:
        _print(result, lower, coverage, confidence)
        _print_foresight(result, foresight)
        print_warnings(result.warnings)
    return 1 if result.verdict == "fail" else 0


PASSES = {"pass": True, "1": True, "fail": False, "0": False}


def _attribute(
    file: Path, coverage: float, confidence: float, plan_n: int | None, as_json: bool
) -> int:
    table = read_values(file)
    passes = []
    for word, line in zip(table.words("value"), table.lines, strict=True):
        if word.lower() not in PASSES:
            raise BadInput(f"{file.name} line {line}: value is {word[:30]!r}, not pass or fail.")
        passes.append(PASSES[word.lower()])
    with about(file):
        result = attribute_capability(passes, coverage=coverage, confidence=confidence)
        _check_plan(result.n, plan_n)
    # A plan without any allowed failure.
    chance = None if plan_n is None else 0.0
    if plan_n is not None and result.failed == 0:
        chance = chance_of_success_run(result.n, plan_n)
    if as_json:
        names = "n passed failed share_lower_bound share_upper_bound verdict more_samples"
        print_json(picked(result, names) | {"plan_n": plan_n, "plan_chance": chance})
    else:
        _print_attribute(result, coverage, confidence, plan_n, chance)
    return 1 if result.verdict == "fail" else 0


def _print_attribute(
    result: AttributeCapability,
    coverage: float,
    confidence: float,
    plan_n: int | None,
    chance: float | None,
) -> None:
    click.echo(result.verdict.upper())
    print_facts(
        [
            ("values", f"{result.n}, {result.passed} pass, {result.failed} fail"),
            (
                "share that passes",
                f"at least {result.share_lower_bound:.4f} with {confidence:.0%} confidence; "
                f"{coverage:g} is asked for",
            ),
        ]
    )
    if result.more_samples:
        click.echo(f"If no more fail, {result.more_samples} more samples would do.")
    if chance is not None:
        click.echo(f"Chance that a plan of {plan_n} without a failure passes: {chance:.0%}.")


def _check_plan(n: int, plan_n: int | None) -> None:
    if plan_n is not None and plan_n < n:
        raise ValueError(f"the plan has {plan_n} values, but there are {n} already")


def _foresight(
    result: Capability, lower: float, coverage: float, confidence: float, plan_n: int | None
) -> Foresight:
    _check_plan(result.n, plan_n)
    if result.sd == 0.0:
        return Foresight(plan_n, None, None)
    likely_more = samples_for_chance(
        result.n, result.mean, result.sd, lower,
        chance=LIKELY, coverage=coverage, confidence=confidence,
    )  # fmt: skip
    chance = None if plan_n is None else chance_to_pass(
        result.n, result.mean, result.sd, lower, plan_n, coverage=coverage, confidence=confidence
    )  # fmt: skip
    return Foresight(plan_n, chance, likely_more)


def capability_document(result: Capability, foresight: Foresight) -> dict[str, object]:
    """Figures under the keys of the command line's contract, and what is to be expected."""
    names = "n mean sd k lower_tolerance_bound ppk ppk_lower_bound verdict more_samples"
    return picked(result, names) | {
        "more_samples_likely": foresight.likely_more,
        "plan_n": foresight.plan_n,
        "plan_chance": foresight.plan_chance,
        "warnings": list(result.warnings),
    }


def _print(result: Capability, lower: float, coverage: float, confidence: float) -> None:
    def shown(value: float | None) -> str:
        return "no spread" if value is None else f"{value:.3f}"

    click.echo(result.verdict.upper())
    print_facts(
        [
            ("values", f"{result.n}, mean {result.mean:.5g}, deviation {result.sd:.3g}"),
            (
                "tolerance bound",
                f"{result.lower_tolerance_bound:.5g} (k {result.k:.3f}): with {confidence:.0%} "
                f"confidence {coverage:.0%} of all lie above it; limit {lower:g}",
            ),
            ("Ppk", f"{shown(result.ppk)}, at least {shown(result.ppk_lower_bound)}"),
        ]
    )


def _print_foresight(result: Capability, foresight: Foresight) -> None:
    if result.more_samples:
        likely = foresight.likely_more
        click.echo(
            f"If mean and spread stay as they are, {result.more_samples} more samples would do; "
            + (
                f"no number gives a {LIKELY:.0%} chance to pass yet."
                if likely is None
                else f"{likely} more give a {LIKELY:.0%} chance to pass."
            )
        )
    elif result.more_samples is None and result.sd > 0.0:
        click.echo("More samples alone will not do: the mean is too near the limit.")
    if foresight.plan_chance is not None and foresight.plan_n is not None:
        missing = foresight.plan_n - result.n
        click.echo(
            f"Chance that the plan of {foresight.plan_n} passes: {foresight.plan_chance:.0%}, "
            f"{missing} still to come."
        )


Better = Literal["higher", "lower"]


@click.command(epilog="Example: station study compare pulls.csv --groups 'tool A' 'tool B' --json")
@csv_argument
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
    with about(file):
        result = compare_groups(first, second, names=names, confidence=confidence)
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
            {"name": name} | picked(own, "n mean sd median")
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
