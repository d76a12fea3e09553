"""Studies of a process in anyone's CSV: study capability, study compare."""

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import click

from station.cli.csv import Table, about, read_values
from station.cli.options import facts, picked, print_result, study_options, warned
from station.cli.study_figures import draw_capability, draw_comparison
from station.errors import BadInput
from station.statistics.capability import Capability, attribute_capability, rests_on
from station.statistics.capability import capability as capability_of
from station.statistics.comparison import Comparison, Estimate
from station.statistics.comparison import compare as compare_groups
from station.statistics.planning import chance_of_success_run, chance_to_pass, samples_for_chance

LIKELY = 0.9
"""Chance that the printed number of samples is to give."""


@click.command(epilog="Example: station study capability pulls.csv --lower 89 --json")
@click.option("--lower", type=float, help="Limit that values must reach.")
@click.option("--attribute", is_flag=True, help="Values are pass or fail: judge the share.")
@click.option("--coverage", default=0.95)
@click.option("--confidence", default=0.95)
@click.option(
    "--plan-n",
    type=int,
    help="Values there will be in the end: also print the chance that they will pass.",
)
@study_options
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

    It needs values that do not depend on each other. No shape is taken for granted: the bound has
    room for tails that are heavier (Student 5) or lean to the worse (lognormal); where one value
    lies far below the others only the count of values decides, or nothing can be shown. That no
    strays are among all takes more values than a bound from their spread (59 at the defaults): a
    pass with fewer says that this cannot be shown.

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
        likely_more, plan_chance = _foresight(result, lower, coverage, confidence, plan_n)
    if plot is not None:
        words = f"{coverage:.0%} of all lie above it, with {confidence:.0%} confidence"
        draw_capability(plot, values, result, lower, words)
    not_shown = result.verdict == "pass" and result.more_for_strays > 0
    names = "n mean sd k lower_tolerance_bound ppk ppk_lower_bound verdict more_samples"
    document = picked(result, names) | {
        "more_samples_likely": likely_more,
        "plan_n": plan_n,
        "plan_chance": plan_chance,
        "warnings": list(result.warnings),
        **picked(result, "judged_bound rests_on unseen_share"),
        "cannot_be_shown": STRAYS if not_shown else None,
    }
    lines = [*_lines(result, lower, coverage, confidence), *_more_lines(result, likely_more)]
    if result.rests_on is not None:
        lines.append(str(rests_on(result)))
    if plan_chance is not None and plan_n is not None:
        lines.append(
            f"Chance that the plan of {plan_n} passes: {plan_chance:.0%}, {plan_n - result.n} "
            "still to come."
        )
    print_result(as_json, document, [*lines, *warned(result.warnings)])
    return 1 if result.verdict == "fail" else 0


STRAYS = "that there are no strays"
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
    names = "n passed failed share_lower_bound share_upper_bound verdict more_samples"
    document = picked(result, names) | {"plan_n": plan_n, "plan_chance": chance}
    share = (
        f"at least {result.share_lower_bound:.4f} with {confidence:.0%} confidence; {coverage:g} "
        "is asked for"
    )
    values = f"{result.n}, {result.passed} pass, {result.failed} fail"
    lines = [result.verdict.upper(), *facts([("values", values), ("share that passes", share)])]
    if result.more_samples:
        lines.append(f"If no more fail, {result.more_samples} more samples would do.")
    if chance is not None:
        lines.append(f"Chance that a plan of {plan_n} without a failure passes: {chance:.0%}.")
    print_result(as_json, document, lines)
    return 1 if result.verdict == "fail" else 0


def _check_plan(n: int, plan_n: int | None) -> None:
    if plan_n is not None and plan_n < n:
        raise ValueError(f"the plan has {plan_n} values, but there are {n} already")


def _foresight(
    result: Capability, lower: float, coverage: float, confidence: float, plan_n: int | None
) -> tuple[int | None, float | None]:
    """Samples to add for a likely pass, and the plan's chance; None where it cannot be said."""
    _check_plan(result.n, plan_n)
    if result.sd == 0.0 or math.isinf(result.room):
        return None, None
    wide = result.sd * result.room
    likely_more = samples_for_chance(
        result.n, result.mean, wide, lower,
        chance=LIKELY, coverage=coverage, confidence=confidence,
    )  # fmt: skip
    chance = None if plan_n is None else chance_to_pass(
        result.n, result.mean, wide, lower, plan_n, coverage=coverage, confidence=confidence
    )  # fmt: skip
    return likely_more, chance


def _lines(result: Capability, lower: float, coverage: float, confidence: float) -> Iterator[str]:
    def shown(value: float | None) -> str:
        return "no spread" if value is None else f"{value:.3f}"

    judged = "none can be shown"
    if result.judged_bound is not None:
        judged = (
            f"{result.judged_bound:.5g}: with {confidence:.0%} confidence {coverage:.0%} of all "
            f"lie above it; limit {lower:g}"
        )
    normal = f"{result.lower_tolerance_bound:.5g} (k {result.k:.3f})"
    ending = ", cannot be shown by these values" if result.verdict == "undecided" else ""
    if result.verdict == "pass" and result.more_for_strays:
        ending = f" as they spread; {STRAYS} cannot be shown by {result.n}"
    yield result.verdict.upper() + ending
    yield from facts(
        [
            ("values", f"{result.n}, mean {result.mean:.5g}, deviation {result.sd:.3g}"),
            ("tolerance bound", judged),
            ("if they were normal", normal),
            ("Ppk", f"{shown(result.ppk)}, at least {shown(result.ppk_lower_bound)}"),
        ]
    )


def _more_lines(result: Capability, likely: int | None) -> Iterator[str]:
    if result.more_samples:
        said = "no number gives" if likely is None else f"{likely} more give"
        ending = " yet" if likely is None else ""
        yield (
            f"If mean and spread stay as they are, {result.more_samples} more samples would do; "
            f"{said} a {LIKELY:.0%} chance to pass{ending}."
        )
    elif result.more_samples is None and result.sd > 0.0:
        yield "More samples alone will not do: the mean is too near the limit."


Better = Literal["higher", "lower"]


@click.command(epilog="Example: station study compare pulls.csv --groups 'tool A' 'tool B' --json")
@click.option(
    "--groups", nargs=2, metavar="FIRST SECOND", help="Which two groups; needed if there are more."
)
@click.option(
    "--better",
    type=click.Choice(["higher", "lower"]),
    default="higher",
    help="Which values are better: higher for pull force, lower for resistance.",
)
@click.option("--confidence", default=0.95)
@study_options
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
    document = _comparison_document(result, names, better)
    print_result(as_json, document, _comparison_lines(result, names, better))
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


def _comparison_document(
    result: Comparison, names: tuple[str, str], better: Better
) -> dict[str, object]:
    """Figures by name; differences and ratios are of the first group against the second."""
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
        **_keys("chance_better", _chance_better(result, better)),
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
    ends = {"": "value", "_low": "low", "_high": "high", "_p": "p"}
    return {f"{name}{end}": getattr(estimate, field, None) for end, field in ends.items()}


def _comparison_lines(result: Comparison, names: tuple[str, str], better: Better) -> Iterator[str]:
    which = better_group(result, better)
    share = f"with {result.confidence:.0%} confidence"
    if which is None:
        yield f"No difference between {names[0]} and {names[1]} is shown {share}."
    else:
        yield f"{names[which]} is better than {names[1 - which]} {share}."
    yield from facts(
        [
            *(
                (name, f"{own.n} values, mean {own.mean:.5g}, deviation {own.sd:.3g}")
                for name, own in zip(names, result.groups, strict=True)
            ),
            ("difference of means", _shown(result.difference)),
            ("typical difference", _shown(result.typical_difference)),
            (f"chance that {names[0]} is better", _shown(_chance_better(result, better))),
            ("ratio of spreads", _shown(result.spread_ratio)),
        ]
    )
    yield from warned(result.warnings)


def _shown(estimate: Estimate | None) -> str:
    if estimate is None:
        return "no spread"
    if estimate.low is None or estimate.high is None:
        return f"{estimate.value:.4g} (no interval from so few)"
    return f"{estimate.value:.4g} ({estimate.low:.4g} to {estimate.high:.4g})"
