"""Study of capability in anyone's CSV: study capability."""

from dataclasses import dataclass
from pathlib import Path

import click

from station.cli.output import json_option, plot_option, print_facts, print_json, print_warnings
from station.cli.study_figures import draw_capability
from station.cli.tables import read_values
from station.errors import BadInput
from station.statistics.capability import Capability
from station.statistics.capability import capability as capability_of
from station.statistics.planning import chance_to_pass, samples_for_chance

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
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--lower", type=float, required=True, help="Limit that values must reach.")
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
    lower: float,
    coverage: float,
    confidence: float,
    plan_n: int | None,
    plot: Path | None,
    as_json: bool,
) -> int:
    """Say whether the column value of FILE meets a lower limit, with coverage and confidence.

    While samples are still to come, --plan-n says how likely they are to bring a pass.
    """
    values = read_values(file).numbers("value")
    try:
        result = capability_of(values, lower, coverage=coverage, confidence=confidence)
        foresight = _foresight(result, lower, coverage, confidence, plan_n)
    except ValueError as error:
        raise BadInput(f"{file.name}: {error}.") from error
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


def _foresight(
    result: Capability, lower: float, coverage: float, confidence: float, plan_n: int | None
) -> Foresight:
    if plan_n is not None and plan_n < result.n:
        raise ValueError(f"the plan has {plan_n} values, but there are {result.n} already")
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
    return {
        "n": result.n,
        "mean": result.mean,
        "sd": result.sd,
        "k": result.k,
        "lower_tolerance_bound": result.lower_tolerance_bound,
        "ppk": result.ppk,
        "ppk_lower_bound": result.ppk_lower_bound,
        "verdict": result.verdict,
        "more_samples": result.more_samples,
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
