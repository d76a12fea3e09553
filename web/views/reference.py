"""What a person looks up: limits, words, and how each connector is made, clipped and looked at."""

from typing import Any

from flask import Blueprint, render_template, request

from station.crimp.connectors import insulation_gap_mm, strip_length_mm
from station.crimp.limits import CriterionTable, Limit, LimitSet, limit_of, limits_of
from station.crimp.wire import (
    CONSERVATIVE_CURRENT_WORDS,
    conservative_current_a,
    parse_size,
    sizes_of_installers,
)
from station.crimp.wire_tables import ampacities
from web.glossary import words
from web.request import bench

pages = Blueprint("reference", __name__)


@pages.get("/limits")
def limits() -> str:
    """Every limit set with its source, standing and conditions; the limits of one size first."""
    known, in_use = bench().limit_sets, bench().limit_sets.choice.set_ids
    sets = sorted(
        (known[name] for name in known.ids),
        # What judges here first, then the shop's own, then what was seen in print.
        key=lambda one: (one.id not in in_use, one.standing != "shop", one.from_memory, one.id),
    )
    labels = {label for item in sets for table in item.criteria for label in table.rows}
    labels |= {size.label for size in sizes_of_installers()}
    asked = request.args.get("size", "")
    size = parse_size(asked) if asked else None
    return render_template(
        "limits.html",
        sets=[(item, [(table, _rows(item, table)) for table in item.criteria]) for item in sets],
        in_use=in_use,
        sizes=sorted(labels, key=lambda label: parse_size(label).area_m2),
        size=size,
        of_size=[]
        if size is None
        else [(one, limit) for one in sets for limit in limits_of(one, size)],
        current_a=size and conservative_current_a(size),
        current_words=CONSERVATIVE_CURRENT_WORDS,
        ampacities=[] if size is None else ampacities(size),
    )


def _rows(limit_set: LimitSet, table: CriterionTable) -> list[Limit]:
    sizes = sorted(map(parse_size, table.rows), key=lambda size: size.area_m2)
    return [limit_of(limit_set, table, size) for size in sizes]


@pages.get("/words")
def words_page() -> str:
    """What the words on the page mean."""
    found = words()
    return render_template("words.html", words=found, terms=found.terms)


@pages.get("/connectors")
def connectors() -> str:
    """How each connector is stripped for, clipped and looked at."""
    sizes = [parse_size(label) for label in ("20 AWG", "18 AWG")]
    return render_template(
        "connectors.html", families=_families(), gaps=[insulation_gap_mm(size) for size in sizes]
    )


def _families() -> list[dict[str, Any]]:
    """Families with their connectors, each with its shortest and longest strip in mm if known."""
    book = bench().connectors
    shown = []
    for family in book.families.values():
        members = [item for item in book.connectors.values() if item.family == family.id]
        if members:
            by_size = sorted(members, key=lambda item: item.circular_mils_range)
            shown.append(
                {
                    "family": family,
                    "connectors": [(item, strip_length_mm(item, family)) for item in by_size],
                    "checklist": book.checklist(members[0]),
                }
            )
    return shown
