"""Connectors as data: what a barrel accepts, how to strip for it, what is measured where.

A connector file names its family; the family says how the joint is made, where the clips go and
what to look at before the test. Several wires in one barrel count by the sum of their circular
mils, and that sum must suit the barrel like one wire of the next larger size.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal, TypeVar

from pydantic import Field, model_validator

from calibration.saying import join, say
from station.crimp.in_force import Facts
from station.crimp.limits import SourceStanding
from station.crimp.units import CIRCULAR_MIL_M2, SQUARE_MILLIMETRE_M2
from station.crimp.wire import (
    AWG_THICKEST,
    AWG_THINNEST,
    METRIC_OF_TRADE,
    METRIC_RANGE_MM2,
    WireSize,
    awg,
    metric,
    parse_size,
)
from station.errors import BadInput

W = TypeVar("W", bound=Hashable)

FactStanding = SourceStanding | Literal["common practice, no source"]

PROTRUSION_MM = (0.5, 2.0)
BARE_GAP_MM = (0.0, 1.0)
"""Conductor past a through barrel and bare gap before it, 1.5 to 6 mm²: JEM-TR 162 [seen-1]."""

THINNER_ALLOWED = 0.88
"""SAE and metric wire of a gauge is up to 11 % thinner than AWG of the same name."""


WRONG_BARREL = say("The barrel is not made for its wires.")
NO_JOINT = say("This way of joining is for comparison only: it must not be built.")


class CheckItem(Facts):
    """One thing to look at before the test."""

    id: str
    question: str
    figure: str | None = None
    critical: bool
    """A critical fault condemns the crimp whatever it measures."""
    source: str
    standing: FactStanding


class Family(Facts):
    """A way of joining: what is common to its connectors.

    The span runs along the drawing of the family from sense clip A, through M where there are two
    wires, to sense clip B. All of it counts as wire, the joint included, so that unbroken wire in
    its place reads 0.
    """

    id: str
    title: str
    accepted_joint: bool = True
    """False for what is shown for comparison only and must not be built."""
    barrels: Annotated[int, Field(ge=0, le=2)]
    """Crimped barrels that a current passes through."""
    wires_per_barrel: Annotated[int, Field(ge=1, le=2)]
    through_barrel: bool
    """True where the conductor's end shows past the barrel."""
    places_differ: bool = False
    """True where it matters which wire is the first: a running and a tapped one, two halves."""
    strips: bool = True
    """False where the connector cuts through the insulation: nothing is stripped for it."""
    making: str
    current_clips: str
    span_from: str
    span_through: str | None = None
    span_to: str
    wire_shares: Annotated[tuple[float, ...], Field(min_length=1, max_length=2)]
    """Share of the span that counts as the first wire, and as the second where there is one."""
    fixture: str
    checklist: tuple[str, ...]
    checklist_bare: tuple[str, ...] = ()
    """What is looked at instead where the connector has no closed sleeve over it."""
    note: str | None = None

    @model_validator(mode="after")
    def _all_of_the_span_is_wire(self) -> "Family":
        if abs(sum(self.wire_shares) - 1.0) > 1e-9:
            raise ValueError("wire_shares must add to 1: all of the span counts as wire")
        if (len(self.wire_shares) == 2) != (self.span_through is not None):
            raise ValueError("two wires need span_through, the point where they meet; one has none")
        return self

    @property
    def sense_clips(self) -> str:
        """Where the sense clips go, in one line."""
        points = (self.span_from, self.span_through, self.span_to)
        return join((say(point) for point in points if point is not None), "; ")

    @property
    def drawing(self) -> str:
        """Name of the family's drawing in the folder of drawings."""
        return f"{self.id.replace(' ', '-')}.svg"

    def wire_lengths(self, wires: Sequence[W], span_m: float) -> list[tuple[W, float]]:
        """Which wire counts with which length of a span, in metres; equal wires are added up.

        Parameters
        ----------
        wires
            The wires of the joint as drawn, by size or by reel: the first carries A. A wire that is
            not drawn, such as a third one in a barrel, carries no current and does not count.
        """
        lengths: dict[W, float] = {}
        for position, share in enumerate(self.wire_shares):
            wire = wires[min(position, len(wires) - 1)]
            lengths[wire] = lengths.get(wire, 0.0) + share * span_m
        return list(lengths.items())


class Connector(Facts):
    """One connector: one data file."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    family: str
    band: str | None = None
    """Colour of the insulation, as the trade codes wire ranges; not one standard across makers."""
    sleeve: Literal["closed", "bare"] = "closed"
    """Whether a closed sleeve hides the barrel, where its family knows both."""
    accepts: tuple[str, ...]
    """Canonical wire sizes."""
    accepts_thin: tuple[str, ...] = ()
    """Those of the narrow end, where the two ends differ."""
    barrel_length_mm: Annotated[float, Field(gt=0.0, le=60.0)] | None = None
    replaces_wire_mm: Annotated[float, Field(ge=0.0, le=100.0)] = 0.0
    """Length of the span in which metal of the connector stands for wire; it conducts better."""
    source: str
    standing: FactStanding

    def accepts_size(self, size: WireSize) -> bool:
        """Whether the barrel is made for one wire of this size."""
        if size.label in self.accepts:
            return True
        ranges = [self.circular_mils_range] if size.system != "AWG" else []
        if size.system == "mm2":
            ranges.append(self._range_of("mm2"))
        return any(low <= size.circular_mils <= high for low, high in ranges)

    @property
    def circular_mils_range(self) -> tuple[float, float]:
        """Smallest and largest conductor by circular mils, from the accepted AWG sizes."""
        low, high = self._range_of("AWG")
        return THINNER_ALLOWED * low, high

    @property
    def narrow_end(self) -> "Connector":
        """The same connector as its narrow end sees it; itself where both ends are alike."""
        if not self.accepts_thin:
            return self
        return self.model_copy(update={"accepts": self.accepts_thin, "accepts_thin": ()})

    def _range_of(self, system: str) -> tuple[float, float]:
        """Circular mils of the thinnest and thickest accepted size of a system; 0, 0 if none."""
        accepted = [parse_size(label) for label in self.accepts]
        mils = [size.circular_mils for size in accepted if size.system == system]
        return (min(mils), 1.001 * max(mils)) if mils else (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether wires suit a barrel.

    Attributes
    ----------
    circular_mils
        Of the wires that share one barrel, together.
    warning
        What is wrong and what would fit, in one sentence; None where the wires suit it.
    """

    circular_mils: float
    warning: str | None

    @property
    def ok(self) -> bool:
        """True where the wires suit the barrel."""
        return self.warning is None


@dataclass(frozen=True, slots=True, eq=False)
class ConnectorBook:
    """All families, check items and connectors at hand."""

    families: Mapping[str, Family]
    items: Mapping[str, CheckItem]
    connectors: Mapping[str, Connector]

    def family_of(self, connector: Connector) -> Family:
        """The family of a connector."""
        return self.families[connector.family]

    def checklist(self, connector: Connector) -> list[CheckItem]:
        """What to look at on the finished joint, in order: what can be seen of it."""
        family = self.family_of(connector)
        bare = connector.sleeve == "bare" and family.checklist_bare
        return [self.items[name] for name in bare or family.checklist]

    def answers(self, name: str, given: Mapping[str, bool]) -> list[tuple[CheckItem, bool | None]]:
        """The looks that are asked of a connector, and others that were answered; None if not."""
        connector = self.connectors.get(name)
        asked = [] if connector is None else self.checklist(connector)
        known = [self.items[item] for item in given if item in self.items]
        return [(item, given.get(item.id)) for item in dict.fromkeys([*asked, *known])]

    def joint_wires(
        self, connector: Connector, first: WireSize, second: WireSize | None = None
    ) -> tuple[str, ...]:
        """The wires of a joint as every record names them, so that samples of one joint meet.

        Where two wires meet, the second is as the first unless it is named; a terminal has a second
        one only where it is. The thicker one is named first unless their places differ.
        """
        family = self.family_of(connector)
        wires = [first, second] if second is not None else [first] * len(family.wire_shares)
        if not family.places_differ:
            wires.sort(key=lambda size: (-size.area_m2, size.label))
        return tuple(size.label for size in wires)

    def may_hold(self, connector: Connector, size: WireSize) -> bool:
        """Whether a wire of this size can be one of those that the connector is made for."""
        if connector.accepts_size(size) or connector.narrow_end.accepts_size(size):
            return True
        thickest = max(parse_size(label).circular_mils for label in connector.accepts)
        return self.in_one_barrel(connector, (size, size)) and size.circular_mils < thickest

    def looked(self, connector: Connector, answers: Mapping[str, bool]) -> bool:
        """Whether every critical look was answered."""
        critical = {item.id for item in self.checklist(connector) if item.critical}
        return critical <= answers.keys()

    def condemned_by(
        self, connector: Connector, answers: Mapping[str, bool], sizes: Sequence[WireSize]
    ) -> tuple[str, ...]:
        """What is seen that condemns a crimp whatever it measures.

        Critical looks that were answered with no, as questions; then, in sentences, a barrel that
        is not made for the wires, and a way of joining that is not accepted.
        """
        items = self.checklist(connector)
        looks = [it.question for it in items if it.critical and answers.get(it.id) is False]
        barrel = [] if self.fit(connector, sizes).ok else [WRONG_BARREL]
        return (*looks, *barrel, *([] if self.family_of(connector).accepted_joint else [NO_JOINT]))

    def in_one_barrel(self, connector: Connector, sizes: Sequence[object]) -> bool:
        """Whether the wires share a barrel: made so, or several put into a terminal's only one."""
        family = self.family_of(connector)
        several = family.strips and family.barrels == 1 and len(sizes) > 1
        return several or family.wires_per_barrel > 1

    def fit(self, connector: Connector, sizes: Sequence[WireSize]) -> Fit:
        """Whether the wires of a sample suit the connector's barrels.

        Parameters
        ----------
        sizes
            All wires of the sample: one per barrel, or those that share the one barrel.
        """
        if not self.in_one_barrel(connector, sizes):
            return self._fit_each(connector, sizes)
        together = sum(size.circular_mils for size in sizes)
        as_one = next_larger(together, metric_sizes=all(size.system == "mm2" for size in sizes))
        if connector.accepts_size(as_one):
            return Fit(together, None)
        told = say(
            "{wires} (together {together:.0f} circular mils, like {size})",
            wires=join((size.label for size in sizes), say(" with ")),
            together=together,
            size=as_one.label,
        )
        return Fit(together, self._warning(connector, told, as_one))

    def _fit_each(self, connector: Connector, sizes: Sequence[WireSize]) -> Fit:
        """Each wire in a barrel of its own; the thinner one in the narrow end."""
        ordered = sorted(sizes, key=lambda size: -size.area_m2)
        ends = [connector, *[connector.narrow_end] * (len(ordered) - 1)]
        largest = max((size.circular_mils for size in sizes), default=0.0)
        for size, end in zip(ordered, ends, strict=False):
            if not end.accepts_size(size):
                return Fit(largest, self._warning(end, size.label, size))
        return Fit(largest, None)

    def _warning(self, connector: Connector, words: str, size: WireSize) -> str:
        others = [
            other.title
            for other in self.connectors.values()
            if other.family == connector.family and other.accepts_size(size)
        ]
        tail = say("No connector of this family takes it.")
        if others:
            tail = say("Use {other}.", other=others[0])
        return say(
            "{connector} is not made for {wires}: it takes {sizes}. {tail}",
            connector=connector.title,
            wires=words,
            sizes=takes(connector),
            tail=tail,
        )


def takes(connector: Connector) -> str:
    """The accepted sizes in words."""
    return ", ".join(connector.accepts)


def next_larger(circular_mils: float, *, metric_sizes: bool = False) -> WireSize:
    """The next larger single size, as the rule for several wires in a barrel says (NASA).

    Even gauges only, and those from 1 AWG up: the odd ones between are no sizes of the trade.
    Metric sizes of the trade where ``metric_sizes``. The area itself where none is thick enough.
    """
    if metric_sizes:
        singles = [metric(area_mm2) for area_mm2 in METRIC_OF_TRADE]
    else:
        numbers = (*range(AWG_THINNEST, 1, -2), *range(1, AWG_THICKEST - 1, -1))
        singles = [awg(number) for number in numbers]
    enough = (size for size in singles if size.circular_mils >= circular_mils * 0.999)
    area_mm2 = circular_mils * CIRCULAR_MIL_M2 / SQUARE_MILLIMETRE_M2
    return next(enough, None) or metric(min(round(area_mm2), METRIC_RANGE_MM2[1]))


def strip_length_mm(connector: Connector, family: Family) -> tuple[float, float] | None:
    """Shortest and longest strip: barrel, plus what shows past it, plus the bare gap.

    A working aid after JEM-TR 162, not a check. None where the barrel's length is not known, and
    where nothing is stripped.
    """
    if connector.barrel_length_mm is None or not family.strips:
        return None
    past = PROTRUSION_MM if family.through_barrel else (0.0, 0.0)
    return (
        connector.barrel_length_mm + past[0] + BARE_GAP_MM[0],
        connector.barrel_length_mm + past[1] + BARE_GAP_MM[1],
    )


def insulation_gap_mm(size: WireSize) -> tuple[float, float]:
    """Allowed gap between insulation and barrel by wire size: NASA workmanship [seen-2]."""
    return (0.25, 0.75) if size.area_m2 <= awg(20).area_m2 * 1.001 else (0.25, 1.25)


def connector_named(connectors: Mapping[str, Connector], name: str) -> Connector:
    """Look a connector up (BadInput names those there are)."""
    if name not in connectors:
        raise BadInput(
            "There is no connector {name!r}: use one of {connectors}.",
            name=name,
            connectors=", ".join(sorted(connectors)),
        )
    return connectors[name]
