"""Tern Lane Vans and Trailers: an invented shop that wires camper vans and trailers.

People, tools and every number here are made up. A crimp's true strength and resistance are drawn
from its nest's state; what the shop then knows of it goes through the station's own measurement
and judgement.
"""

from dataclasses import dataclass

import numpy as np

from station.crimp.facts import shipped_book
from station.crimp.in_force import Facts
from station.crimp.wire import parse_size, soft_break_force_n
from station.files import DATA, read_toml
from station.ledger.entries import Joint, ReelAdded
from station.settings import FixtureSettings
from station.simulation.physics import FailureKind, Specimen, drawn_wire_ohm_per_m

LIMIT_SET = "tern-lane-shop"
"""The invented shop's own, to be asked for by name; it judges by the shipped choice."""


class Workshop(Facts):
    """The shop as its file describes it; what is drawn of a joint scatters about these."""

    people: dict[str, str]
    """Invented first names and roles."""
    tools: dict[str, str]
    tool_strength: dict[str, float]
    """How strong a tool crimps, as a factor."""
    nests: dict[str, tuple[str, ...]]
    """Gauges that each nest is used for."""
    splice_ohm: dict[str, float]
    strands: dict[str, int]


_SHOP = read_toml(DATA / "demo" / "workshop.toml", Workshop)
PEOPLE, TOOLS, NEST_SIZES = _SHOP.people, _SHOP.tools, _SHOP.nests

WORN = ("Wren", "blue")
WEAR_BEGINS = 0.5
"""Share of the days after which the worn nest begins to wear."""

_STRENGTH_SHARE = 0.72
_FORCE_SPREAD = 0.05
_RESISTANCE_SPREAD = 0.06
_WORN_FORCE_LOSS = 0.42
_WORN_RESISTANCE_GAIN = 1.2


def joint(tool: str, nest: str, size: str) -> Joint:
    """The joint that the shop makes in a nest: two ends of one gauge in a butt splice."""
    return Joint(connector=f"butt-splice-{nest}", wires=(size, size), tool=tool, nest=nest)


def joints() -> list[Joint]:
    """Every joint of the shop."""
    return [
        joint(tool, nest, size) for tool in TOOLS for nest, sizes in NEST_SIZES.items()
        for size in sizes
    ]  # fmt: skip


def good_looks(made: Joint) -> dict[str, bool]:
    """What the shop's people see of a joint: it looks as it should."""
    book = shipped_book()
    return {item.id: True for item in book.checklist(book.connectors[made.connector])}


def wear_of(tool: str, nest: str, elapsed: float) -> float:
    """How far a nest is worn, 0 to 1, after this share of the demo's days."""
    if (tool, nest) != WORN:
        return 0.0
    return max(0.0, (elapsed - WEAR_BEGINS) / (1.0 - WEAR_BEGINS))


def reel(size: str) -> ReelAdded:
    """The one reel of a size that the shop has in use."""
    strands = f"{_SHOP.strands[size]} strands"
    return ReelAdded(demo=True, reel=f"{size}, drum 1", size=size, strands=strands, lot="invented")


@dataclass
class Crimper:
    """Makes specimens of the shop's reels, and clips them on as their family is drawn."""

    rng: np.random.Generator
    fixture: FixtureSettings

    def make(self, made: Joint, wear: float = 0.0) -> Specimen:
        """Crimp one sample of a joint; any gauge that the shop does not stock is drawn alike.

        The weakest of the wires is what is pulled out.
        """
        size = min(map(parse_size, made.wires), key=soft_break_force_n)
        strength = _STRENGTH_SHARE * _SHOP.tool_strength.get(made.tool, 1.0)
        force_n = soft_break_force_n(size) * strength * (1.0 - _WORN_FORCE_LOSS * wear)
        splice_ohm = _SHOP.splice_ohm.get(size.label, 0.2e-3) * (1.0 + _WORN_RESISTANCE_GAIN * wear)
        slips: FailureKind = "slip" if self.rng.random() < 0.3 + 0.5 * wear else "break"
        return Specimen(
            wire_ohm=self._unbroken_ohm(made),
            splice_ohm=splice_ohm * float(np.exp(self.rng.normal(0.0, _RESISTANCE_SPREAD))),
            temperature_c=20.0,
            break_force_n=force_n * float(np.exp(self.rng.normal(0.0, _FORCE_SPREAD))),
            failure=slips,
            strands=_SHOP.strands.get(size.label, 19),
        )

    def unbroken(self, made: Joint) -> Specimen:
        """Wire that was never cut, where a joint of this kind would be."""
        return Specimen(wire_ohm=self._unbroken_ohm(made), splice_ohm=0.0)

    def _unbroken_ohm(self, made: Joint) -> float:
        """From A on one wire to B on the other, half the span each; a terminal has one wire."""
        connector = shipped_book().connectors.get(made.connector)
        family = None if connector is None else shipped_book().family_of(connector)
        span_m = self.fixture.span_m if family is None else self.fixture.span_of(family.id)
        one_wire = family is not None and family.span_through is None
        sides = made.wires[:1] if one_wire else (made.wires[0], made.wires[-1])
        half_ohm = [drawn_wire_ohm_per_m(parse_size(side)) * span_m / len(sides) for side in sides]
        return sum(half_ohm)
