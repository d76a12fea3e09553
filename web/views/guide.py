"""What a person looks up: the words, and how each connector is made, clipped and looked at."""

from dataclasses import dataclass

from flask import Blueprint, render_template

from station.crimp.connectors import (
    CheckItem,
    Connector,
    Family,
    insulation_gap_mm,
    strip_length_mm,
)
from station.crimp.facts import shipped_book
from station.crimp.wire import parse_size
from web.words import words

pages = Blueprint("guide", __name__)


@dataclass(frozen=True)
class FamilyShown:
    """A family with its connectors, each with its shortest and longest strip in mm if known."""

    family: Family
    connectors: list[tuple[Connector, tuple[float, float] | None]]
    checklist: list[CheckItem]


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
        "connectors.html",
        families=_families(),
        gaps=[insulation_gap_mm(size) for size in sizes],
    )


def _families() -> list[FamilyShown]:
    book = shipped_book()
    shown = []
    for family in book.families.values():
        members = [item for item in book.connectors.values() if item.family == family.id]
        if members:
            by_size = sorted(members, key=lambda item: item.circular_mils_range)
            shown.append(
                FamilyShown(
                    family,
                    [(item, strip_length_mm(item, family)) for item in by_size],
                    book.checklist(members[0]),
                )
            )
    return shown
