"""Limits: what a crimp must reach, by set, criterion and wire size.

A limit set is one data file with its source, edition and standing. Sizes are never interpolated,
and a value keeps the unit it was printed in: conversions happen on reading, so that a misprint in a
converted column cannot get in.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from calibration.saying import say
from station.crimp.in_force import Facts, Judged, LimitsInForce
from station.crimp.units import NEWTON_PER_LBF, standing_words
from station.crimp.wire import WireSize, parse_size, soft_break_force_n
from station.errors import NoLimit

Criterion = Literal["pull_force_min", "voltage_drop_max", "resistance_max", "resistance_ratio_max"]

SizeCriterion = Literal["crimp_height", "crimp_width"]
"""What a terminal's data sheet states as a target with a tolerance."""

SI_PER_UNIT: dict[str, tuple[str, float]] = {
    "N": ("N", 1.0),
    "lbf": ("N", NEWTON_PER_LBF),
    "mV": ("V", 1e-3),
    "mohm": ("ohm", 1e-3),
    "1": ("1", 1.0),
}
"""Master unit as printed -> (SI unit, factor)."""

SHARE = "share of soft break"
"""Unit of a force that is stated as a share of the wire's own strength."""

UNIT_KIND: dict[Criterion, str] = {
    "pull_force_min": "N",
    "voltage_drop_max": "V",
    "resistance_max": "ohm",
    "resistance_ratio_max": "1",
}

SourceStanding = Annotated[str, Field(pattern=r"^(seen-[1-9]\d*|memory|shop|own-rule)$")]
"""``seen-n`` texts, from ``memory``, a ``shop``'s own, or a rule of this station's makers."""


PullKind = Literal["destructive", "hold", "not stated"]
"""A force that is held and the peak of a pull to destruction are different results."""


class LimitRow(Facts):
    """The limit for one size, where it carries more than a number."""

    value: Annotated[float, Field(gt=0.0)]
    standing: SourceStanding | None = None
    test_current_a: Annotated[float, Field(gt=0.0)] | None = None
    note: str | None = None


class CriterionTable(Facts):
    """One criterion of a set: its unit as printed, and a row per size."""

    criterion: Criterion
    unit: Literal["N", "lbf", "mV", "mohm", "1", "share of soft break"]
    rows: dict[str, LimitRow | Annotated[float, Field(gt=0.0)]]

    @model_validator(mode="after")
    def _check(self) -> "CriterionTable":
        unit_si = "N" if self.unit == SHARE else SI_PER_UNIT[self.unit][0]
        if unit_si != UNIT_KIND[self.criterion]:
            raise ValueError(f"unit {self.unit} does not fit {self.criterion}")
        for label in self.rows:
            if parse_size(label).label != label:
                raise ValueError(f"write the size {label!r} as {parse_size(label).label!r}")
            if self.criterion == "voltage_drop_max" and self.row(label).test_current_a is None:
                raise ValueError(f"a voltage drop limit needs test_current_a: {label}")
        return self

    def row(self, label: str) -> LimitRow:
        """The row for a canonical size label (KeyError if absent)."""
        row = self.rows[label]
        return row if isinstance(row, LimitRow) else LimitRow(value=row)


class LimitSet(Facts):
    """A limit set: one data file."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    source: str
    edition: str
    standing: SourceStanding
    insulation_grip: Literal["included", "excluded", "as supplied", "not stated"]
    pull_kind: PullKind
    hold_s: float | None = None
    rate_mm_per_min: str | None = None
    notes: tuple[str, ...] = ()
    criteria: tuple[CriterionTable, ...]

    @model_validator(mode="after")
    def _memory_stays_apart(self) -> "LimitSet":
        for table in self.criteria:
            for label in table.rows:
                if table.row(label).standing == "memory" and not self.from_memory:
                    raise ValueError(f"{label} is from memory: put it into a set of its own")
        return self

    @property
    def conditions(self) -> str:
        """How the set says the test is made, in one line."""
        parts = [f"insulation grip {self.insulation_grip}"]
        if self.pull_kind == "hold":
            held = "" if self.hold_s is None else f" for {self.hold_s:g} s"
            parts.append(f"stated as a force that is held{held}; a peak is not a hold")
        elif self.hold_s is not None:
            parts.append(f"held {self.hold_s:g} s")
        if self.rate_mm_per_min is not None:
            parts.append(f"{self.rate_mm_per_min} mm/min")
        return "; ".join(parts)

    @property
    def from_memory(self) -> bool:
        """True where nobody on the project has seen the text."""
        return self.standing == "memory"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit for one size: as printed, and in SI; where it is from, and how well it is known.

    ``title``, ``source`` and ``edition`` are those of its set; ``standing`` is that of its row.
    ``test_current_a`` is the current at which a voltage drop limit is meant; ``pull_kind`` is what
    a force limit is stated for, and ``hold_s`` for how long it is to be held. Of a crimp's size
    the value is the target, and ``tolerance_si`` what it may be off by on either side; its ``size``
    names all wires.
    """

    set_id: str
    criterion: Criterion | SizeCriterion
    size: str
    value: float
    unit: str
    value_si: float
    unit_si: str
    source: str
    standing: str
    conditions: str
    test_current_a: float | None
    note: str | None
    pull_kind: PullKind = "not stated"
    title: str = ""
    edition: str = ""
    hold_s: float | None = None
    tolerance_si: float | None = None

    @property
    def words(self) -> str:
        """Which limit it is."""
        return limit_words(self.set_id, self.source, self.edition, self.standing, self.conditions)

    @property
    def from_memory(self) -> bool:
        """True where nobody on the project has seen the text."""
        return self.standing == "memory"

    @property
    def is_held(self) -> bool:
        """True where it is stated for a force that is held."""
        return self.pull_kind == "hold" or self.hold_s is not None


FORCES: frozenset[Criterion] = frozenset({"pull_force_min"})
DROPS: frozenset[Criterion] = frozenset(UNIT_KIND) - FORCES


@dataclass(frozen=True, slots=True)
class LimitsFound:
    """The limits that several sets together have for a size.

    Attributes
    ----------
    not_judged
        What no set has a limit for, of ``pull`` and ``resistance``.
    lacking
        Sets that were named and say nothing of the size.
    only
        What alone is judged, in a shop without the other instrument.
    """

    limits: tuple[Limit, ...]
    not_judged: tuple[Judged, ...]
    lacking: tuple[str, ...]
    only: Judged | None = None


class LimitSets:
    """All limit sets at hand, and which of them a shop judges by.

    Parameters
    ----------
    sets
        Identifiers must be unique.
    choice
        The limits in force.
    """

    def __init__(self, sets: Iterable[LimitSet], choice: LimitsInForce | None = None) -> None:
        self._sets = {limit_set.id: limit_set for limit_set in sets}
        self.choice = choice or LimitsInForce()

    @property
    def ids(self) -> tuple[str, ...]:
        """Identifiers in order."""
        return tuple(sorted(self._sets))

    def __getitem__(self, set_id: str) -> LimitSet:
        """The set with this identifier; NoLimit names those there are."""
        if set_id not in self._sets:
            raise NoLimit(
                "There is no limit set {set_id!r}: use one of {ids}.",
                set_id=set_id,
                ids=", ".join(self.ids),
            )
        return self._sets[set_id]

    def for_size(self, size: WireSize, set_id: str | None = None) -> list[Limit]:
        """Every limit for a size; sets from memory only when asked for by identifier.

        Raises
        ------
        NoLimit
            The set, or every set, lacks the size. The message names sets that have it.
        """
        seen = [name for name in self.ids if not self._sets[name].from_memory]
        found = self._of_kind(size, [set_id] if set_id else seen, UNIT_KIND)
        if not found:
            raise NoLimit(self._nothing_for(size, set_id))
        return found

    def judging(
        self, size: WireSize, set_id: str | None = None, *, in_full: bool = False
    ) -> LimitsFound:
        """What judges a sample of a size: the limits in force, or one set in their place.

        Parameters
        ----------
        in_full
            As a job needs it, which counts only what is judged by a pull and a resistance.

        Raises
        ------
        NoLimit
            There is no such set, no limit for the size, or with ``in_full`` not for all of it.
        """
        found = self.in_force(self.choice.chosen(set_id), size)
        if not found.limits:
            raise NoLimit(self._nothing_for(size, set_id))
        missing = [part for part in found.not_judged if found.only in (None, part)]
        if in_full and missing:
            raise NoLimit(
                "Nothing judges the {missing} of {size}, and a job counts only what is judged: "
                "{named} have no such limit. Name a set that has one in the settings, under "
                "[limits].",
                missing=say(missing[0]),
                size=size.label,
                named=set_id or ", ".join(getattr(self.choice.of(size), missing[0])) or say("none"),
            )
        return found

    def in_force(self, in_force: LimitsInForce, size: WireSize) -> LimitsFound:
        """What judges a size: forces from the sets for the pull, the rest from the others.

        A set that stands in both gives all that it states. Of what a shop does not judge no limit
        is taken.

        Raises
        ------
        NoLimit
            A set that is named does not exist.
        """
        sets, only = in_force.of(size), in_force.only
        pull = self._of_kind(size, sets.pull if only != "resistance" else (), FORCES)
        drop = self._of_kind(size, sets.resistance if only != "pull" else (), DROPS)
        having = {limit.set_id for limit in (*pull, *drop)}
        named = dict.fromkeys(sets.pull + sets.resistance)
        missing: list[tuple[Judged, list[Limit]]] = [("pull", pull), ("resistance", drop)]
        return LimitsFound(
            (*pull, *drop),
            tuple(name for name, found in missing if not found),
            tuple(name for name in named if name not in having),
            only,
        )

    def _of_kind(
        self, size: WireSize, set_ids: Iterable[str], criteria: Collection[Criterion]
    ) -> list[Limit]:
        found = (limit for name in set_ids for limit in limits_of(self[name], size))
        return [limit for limit in found if limit.criterion in criteria]

    def _nothing_for(self, size: WireSize, set_id: str | None) -> str:
        others = [name for name in self.ids if limits_of(self[name], size)]
        where = say("Limit set {set_id} has no", set_id=set_id)
        if not set_id:
            where = say("No limit set seen in print has a")
        tail = (
            say("sets that have it: {others}.", others=", ".join(others))
            if others
            else say("no set has it.")
        )
        return say(
            "{set} row for {size} (sizes are not interpolated); {others}",
            set=where,
            size=size.label,
            others=tail,
        )


def limits_of(limit_set: LimitSet, size: WireSize) -> list[Limit]:
    """All limits of a set for a size."""
    tables = (table for table in limit_set.criteria if size.label in table.rows)
    return [limit_of(limit_set, table, size) for table in tables]


_OF_SET = ("title", "source", "edition", "conditions", "pull_kind", "hold_s")


def limit_of(limit_set: LimitSet, table: CriterionTable, size: WireSize) -> Limit:
    """Read one row of a set (KeyError if absent)."""
    row = table.row(size.label)
    if table.unit == SHARE:
        unit_si, factor = "N", soft_break_force_n(size)
    else:
        unit_si, factor = SI_PER_UNIT[table.unit]
    return Limit(
        set_id=limit_set.id,
        criterion=table.criterion,
        size=size.label,
        value=row.value,
        unit=table.unit,
        value_si=row.value * factor,
        unit_si=unit_si,
        standing=row.standing or limit_set.standing,
        test_current_a=row.test_current_a,
        note=row.note,
        **{name: getattr(limit_set, name) for name in _OF_SET},
    )


def limit_words(set_id: str, source: str, edition: str, standing: str, conditions: str) -> str:
    """Which limit it is: its set, source, edition and standing, and how the test is meant."""
    return say(
        "{set_id}: {source}, {edition} ({standing}). Conditions: {conditions}.",
        set_id=set_id,
        source=say(source),
        edition=say(edition),
        standing=standing_words(standing),
        conditions=say(conditions),
    )
