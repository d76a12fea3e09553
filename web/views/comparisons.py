"""Two ways side by side, for a class: what differs, by how much, and a picture."""

from flask import Blueprint, render_template, request
from markupsafe import Markup

from calibration.saying import say
from station.errors import BadInput
from station.jobs.comparison import (
    COMPARISON,
    Characteristic,
    Way,
    doubts,
    values_of,
    way_from,
    ways_of,
)
from station.jobs.papers.plots import Level, Row, strip_plot
from station.ledger.rows import SampleRow
from station.statistics.comparison import Comparison, Estimate, compare
from web.forms import MAX_TEXT
from web.request import reader
from web.translation import said_or_typed, translate

MOST_ROWS = 5_000
OFFERED_FROM = 500
"""Of so many latest samples the nests are offered, each with one wire size."""
WHAT: dict[Characteristic, tuple[str, str, float]] = {
    "pull": (say("Pull force"), "N", 1.0),
    "resistance": (say("Resistance"), "mΩ", 1e3),
}

pages = Blueprint("comparisons", __name__, url_prefix="/compare")


@pages.get("")
def compare_page() -> str | tuple[str, int]:
    """The form, and what was found where two ways are named."""
    first, second = (
        next(filter(None, request.args.getlist(name)), "")[:MAX_TEXT]
        for name in ("first", "second")
    )
    named = reader().samples(limit=MOST_ROWS, job=COMPARISON)
    labels = {row.step: row.step for row in named if row.step}
    offers = dict(sorted(labels.items())) | ways_of(reader().samples(limit=OFFERED_FROM))
    values = {"first": first, "second": second}
    if not (first or second):
        return _page(offers, values)
    rows = reader().samples(limit=MOST_ROWS)
    try:
        ways = (way_from(first), way_from(second))
        invented = any(row.demo for row in rows if any(way.takes(row) for way in ways))
        found = [
            _found(ways, rows, what, translate(", invented") if invented else "") for what in WHAT
        ]
    except BadInput as error:
        return _page(offers, values, problem=str(error)), 400
    return _page(offers, values, found=found, warnings=doubts(ways, rows), invented=invented)


def _page(offers: dict[str, str], values: dict[str, str], **shown: object) -> str:
    return render_template("compare.html", offers=offers, values=values, **shown)


def _found(
    ways: tuple[Way, Way], rows: list[SampleRow], what: Characteristic, mark: str
) -> tuple[str, list[str], Markup]:
    """Heading, sentences and picture of one characteristic."""
    words, unit, scale = WHAT[what]
    values = [[scale * one for one in values_of(way, rows, what)] for way in ways]
    names = (ways[0].name, ways[1].name)
    try:
        result = compare(values[0], values[1], names=names)
    except ValueError as error:
        return words, [say("Cannot be compared: {error}.", error=str(error))], Markup("")
    levels = [
        Level(group.mean, said_or_typed(say("mean of {name}", name=name)))
        for group, name in zip(result.groups, names, strict=True)
    ]
    picture = strip_plot(
        said_or_typed(say("{what} of both ways", what=words)),
        unit,
        [Row(name + mark, one) for name, one in zip(names, values, strict=True)],
        levels,
    )
    return words, _sentences(result, names, unit), picture


def _sentences(result: Comparison, names: tuple[str, str], unit: str) -> list[str]:
    low, high = (names[1], names[0]) if result.difference.value >= 0.0 else names
    difference = _ends(result.difference, unit)
    pair: dict[str, object] = {"names": names[0], "names_2": names[1]}
    found = [
        say("No difference of the means is shown: {difference}.", difference=difference)
        if result.higher is None
        else say(
            "{high} is higher than {low} by {difference}.",
            high=high,
            low=low,
            difference=difference,
        ),
        say(
            "A sample of {names} is above one of {names_2} in {chance_above:.0%} of pairs.",
            **pair,
            chance_above=result.chance_above.value,
        ),
    ]
    if result.spread_ratio is not None:
        pair["ratio"] = result.spread_ratio.value
        found.append(say("{names} spreads {ratio:.2f} times as much as {names_2}.", **pair))
    return [*found, *result.warnings]


def _ends(estimate: Estimate, unit: str) -> str:
    value, low, high = estimate.value, estimate.low, estimate.high
    if low is None or high is None:
        return f"{abs(value):.4g} {unit}"
    if not low < 0.0 < high:
        value, low, high = abs(value), *sorted((abs(low), abs(high)))
    return say(
        "{value:.4g} {unit} (95 % interval {low:.4g} to {high:.4g})",
        value=value, unit=unit, low=low, high=high,
    )  # fmt: skip
