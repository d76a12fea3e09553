"""Reels of wire on record: what a metre of each has, and which one a sample is made of."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import zip_longest

from calibration.saying import say
from calibration.uncertainty import Budget, Contribution
from calibration.worth import OhmWorth, reading_budget
from station.crimp.resistance import PerMetre, ReferenceReading, of_reel
from station.crimp.wire import material_named, parse_size
from station.crimp.wire_check import check_wire
from station.errors import BadInput
from station.ledger.entries import BudgetLine, Joint, ReelAdded, ReelMeasured, ReelOut
from station.ledger.reader import LedgerReader
from station.text import demand_plain

LONGEST_NAME = 60
NO_REEL = "-"
"""Chosen where a wire is of no reel on record."""


@dataclass(frozen=True, slots=True)
class Reel:
    """A reel as it stands now."""

    added: ReelAdded
    measured: ReelMeasured | None = None
    """The latest measurement by length, else the latest in the fixture."""
    measured_at: datetime | None = None
    out: str | None = None
    """Why it is out of use; None where it is in use."""

    @property
    def name(self) -> str:
        """What its label says."""
        return self.added.reel

    @property
    def per_metre(self) -> PerMetre | None:
        """What a metre of it has at 20 °C; None where it was not measured."""
        if (made := self.measured) is None:
            return None
        u_fraction = made.u_ohm_per_m / made.ohm_per_m
        return of_reel(made.ohm_per_m, u_fraction, made.effective_dof or math.inf)

    def reference(self, span_m: float, meter: str) -> ReferenceReading | None:
        """Its reading in the same span on this meter; None where there is none, or better."""
        made = self.measured
        if made is None or not made.in_fixture or made.instrument != meter:
            return None
        if not math.isclose(made.length_m, span_m):
            return None
        lines = tuple(Contribution(one.name, one.u, one.dof or math.inf) for one in made.budget)
        return ReferenceReading(
            made.reading_ohm, lines, made.length_m, made.temperature_c, made.u_temperature_k
        )


def reels(reader: LedgerReader) -> dict[str, Reel]:
    """Every reel on record by name, in the order in which they came."""
    found: dict[str, Reel] = {}
    for kind in (ReelAdded.KIND, ReelMeasured.KIND, ReelOut.KIND):
        for entry in reader.entries(kind=kind):
            match entry.payload:
                case ReelAdded() as added:
                    found[added.reel] = Reel(added)
                case ReelMeasured(reel=name) as made if name in found:
                    before = found[name].measured
                    # A length measured once is better than any span.
                    if before is None or before.in_fixture or not made.in_fixture:
                        at = entry.at_utc
                        found[name] = replace(found[name], measured=made, measured_at=at)
                case ReelOut(reel=name, reason=reason) if name in found:
                    found[name] = replace(found[name], out=reason)
    return found


def described_reel(reader: LedgerReader, described: Mapping[str, str]) -> ReelAdded:
    """Describe a new reel by the fields of its label (BadInput, UnknownSize)."""
    label = {
        name: demand_plain(" ".join(described.get(name, "").split())[:LONGEST_NAME], name)
        for name in ("reel", "sold_as", "strands", "insulation", "lot")
    }
    if label["reel"] in ("", NO_REEL):
        raise BadInput("Give the reel a name, and write it on its label.")
    if label["reel"] in reels(reader):
        raise BadInput(
            "There is a reel {name} on record: give this one another name.", name=label["reel"]
        )
    size, material = parse_size(described.get("size", "")), described.get("material") or "copper"
    return ReelAdded(**label, size=size.label, material=material_named(material).name)


def in_use(reader: LedgerReader, name: str) -> Reel:
    """A reel that may be measured or crimped (BadInput for any other)."""
    reel = reels(reader).get(name)
    if reel is None:
        raise BadInput("There is no reel {name!r} on record: add it under Reels.", name=name)
    if reel.out is not None:
        raise BadInput("The reel {name} is out of use: {why}.", name=name, why=reel.out)
    return reel


def measured_reel(
    reel: Reel,
    repeats_ohm: Sequence[float],
    worth: OhmWorth,
    length: tuple[float, float],
    temperature: tuple[float | None, float],
    *,
    instrument: str,
    in_fixture: bool = False,
) -> ReelMeasured:
    """What a length of unbroken wire of a reel says of a metre of it.

    Parameters
    ----------
    length, temperature
        Between the sense clips in metres, and of the wire in °C, each with its standard
        uncertainty; a temperature that is not known counts as 20 °C.
    in_fixture
        Between the marks of the bench: a reference reading, kept as it came.

    Raises
    ------
    BadInput
        A value is not positive, or no wire has such a resistance.
    """
    size, material = parse_size(reel.added.size), material_named(reel.added.material)
    raw = replace(worth, line=None) if in_fixture else worth
    mean, lines = reading_budget(repeats_ohm, raw)
    u_length = Contribution("length", mean / length[0] * length[1])
    alpha_per_k = material.temperature_coefficient_per_k
    warmth = Contribution("temperature", mean * alpha_per_k * temperature[1])
    whole = Budget.of([*lines, u_length, warmth])
    at_c = 20.0 if temperature[0] is None else temperature[0]
    checked = check_wire(mean, length[0], size, material, u_ohm=whole.u, temperature_c=at_c)
    _, beside_scale = reading_budget(repeats_ohm, replace(raw, percent_of_reading=0.0))
    return ReelMeasured(
        reel=reel.name,
        in_fixture=in_fixture,
        length_m=length[0],
        u_length_m=length[1],
        repeats_ohm=tuple(repeats_ohm),
        reading_ohm=mean,
        budget=tuple(
            BudgetLine(name=one.name, u=one.u, dof=one.dof if math.isfinite(one.dof) else None)
            for one in beside_scale
        ),
        temperature_c=temperature[0],
        u_temperature_k=temperature[1],
        instrument=instrument,
        ohm_per_m=checked.ohm_per_m,
        u_ohm_per_m=checked.u_ohm_per_m,
        effective_dof=whole.effective_dof if math.isfinite(whole.effective_dof) else None,
        answer=checked.answer,
    )


def chosen_reels(
    known: Mapping[str, Reel],
    named: Sequence[str],
    joint: Joint,
    last: Mapping[tuple[str, str], str],
) -> tuple[str, ...]:
    """The reel of each wire of a joint, ``""`` where none is known; empty where none is at all.

    Parameters
    ----------
    named
        As the person chose for each wire: a reel, `NO_REEL`, or ``""`` for the one that was used
        last for such wire, else the only one in use.
    last
        Used last, by size and metal.

    Raises
    ------
    BadInput
        A reel named is not on record, out of use, or of other wire.
    """
    chosen = []
    for name, wire in zip_longest(named[: len(joint.wires)], joint.wires, fillvalue=""):
        kind = (wire, joint.material)
        fitting = [
            reel.name
            for reel in known.values()
            if reel.out is None and (reel.added.size, reel.added.material) == kind
        ]
        if name not in ("", NO_REEL, *fitting):
            raise BadInput(
                "{name} is no reel of {wire} {material} in use: choose one of those, or none.",
                name=name,
                wire=wire,
                material=say(joint.material),
            )
        found = name or last.get(kind, fitting[0] if len(fitting) == 1 else "")
        chosen.append(found if found in fitting else "")
    return tuple(chosen) if any(chosen) else ()
