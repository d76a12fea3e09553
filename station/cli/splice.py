"""Command that takes the wire's share off a reading: splice."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import click

from calibration.uncertainty import Contribution
from station.cli.options import json_option, print_result, size_option
from station.cli.wire import material_option
from station.crimp.connectors import Family
from station.crimp.facts import shipped_book
from station.crimp.resistance import (
    InService,
    PerMetre,
    ReferenceReading,
    SpliceResistance,
    WireSpan,
    in_service,
    of_band,
    of_reel,
    reduce_by_length,
    reduce_by_reference,
)
from station.crimp.wire import WireSize, material_named, parse_size
from station.errors import BadInput


@dataclass(frozen=True)
class Given:
    """What the command line said of a splice; None where it said nothing."""

    wire: str
    wire2: str | None
    material: str
    span_mm: float
    span2_mm: float | None
    family: str | None
    reel_mohm_per_m: float | None
    reel_u_percent: float | None
    reading_mohm: float
    reading_u_mohm: float | None
    at_c: float | None
    span_u_mm: float | None
    wire_u_percent: float | None
    temperature_u_c: float | None
    reference_mohm: float | None
    reference_span_mm: float | None
    reference_u_mohm: float | None
    current_a: float | None

    @property
    def uncertainties(self) -> dict[str, float | None]:
        """Every uncertainty that this method asks for, by its option."""
        asked = {
            "--reading-u-mohm": self.reading_u_mohm,
            "--span-u-mm": self.span_u_mm,
            "--temperature-u-c": self.temperature_u_c,
        }
        if self.reference_mohm is not None:
            return asked | {"--reference-u-mohm": self.reference_u_mohm}
        if self.reel_mohm_per_m is not None:
            return asked | {"--reel-u-percent": self.reel_u_percent}
        if self.by_band:
            return asked | {"--wire-u-percent": 100.0 * of_band(parse_size(self.wire)).u_fraction}
        return asked | {"--wire-u-percent": self.wire_u_percent}

    @property
    def by_band(self) -> bool:
        """True where the wire may lie anywhere in the band of its standard."""
        stated = (self.reel_mohm_per_m, self.wire_u_percent)
        return self.family is not None and stated == (None, None)

    def check(self) -> None:
        """Refuse what does not belong together (BadInput)."""
        if self.family is not None and self.span2_mm is not None:
            raise BadInput("--family divides the span itself: leave --span2-mm out.")
        if self.family is None and (self.wire2 is None) != (self.span2_mm is None):
            raise BadInput("--wire2 and --span2-mm go together: give both or neither.")
        reel = self.reel_mohm_per_m is not None
        if self.reel_u_percent is not None and not reel:
            raise BadInput("--reel-u-percent goes with --reel-mohm-per-m.")
        if reel and (self.reference_mohm, self.wire2, self.wire_u_percent) != (None, None, None):
            raise BadInput(
                "A reel is one wire: leave --wire2, --wire-u-percent and --reference-mohm out."
            )
        if (self.reference_mohm is None) != (self.reference_span_mm is None):
            raise BadInput(
                "--reference-mohm and --reference-span-mm go together: give both or neither."
            )
        if self.reference_mohm is not None and self.wire2 is not None:
            raise BadInput("By reference both sides must be of one wire: leave --wire2 out.")


@click.command(
    # Broken by hand: click would break it within an option.
    epilog="\b\nExample: station splice --wire 'SAE 16' --span-mm 152.4 --reading-mohm 2.70 \\\n"
    "  --at-c 30 --reading-u-mohm 0.01 --span-u-mm 0.5 --wire-u-percent 1.2 \\\n"
    "  --temperature-u-c 1"
)
@click.option("--wire", required=True, metavar="SIZE")
@click.option("--wire2", metavar="SIZE", help="Wire of the other side, where it differs.")
@material_option
@click.option("--span-mm", type=float, required=True, help="All the wire of that size in the span.")
@click.option("--family", metavar="ID", help="Take --span-mm from A to B as this family is drawn.")
@click.option("--reel-mohm-per-m", type=float, help="Of the reel at 20 °C, by station wire-check.")
@size_option("--reel-u-percent")
@click.option("--span2-mm", type=float, help="The same for --wire2.")
@click.option("--reading-mohm", type=float, required=True)
@size_option("--reading-u-mohm")
@click.option("--at-c", type=float, help="Wire temperature; without it nothing is corrected.")
@size_option("--span-u-mm")
@size_option("--wire-u-percent")
@size_option("--temperature-u-c")
@click.option("--reference-mohm", type=float, help="Reading of unbroken wire of the same reel.")
@click.option("--reference-span-mm", type=float, help="Length of it between the sense clips.")
@size_option("--reference-u-mohm")
@click.option("--current-a", type=float, help="Say what the splice does at this current.")
@json_option
def splice(as_json: bool, **options: Any) -> int:
    """Take the wire's share off a four-wire reading. All u are one standard uncertainty."""
    given = Given(**options)
    given.check()
    size, material = parse_size(given.wire), material_named(given.material)
    result = _by_length(given) if given.reference_mohm is None else _by_reference(given)
    service = None
    if given.current_a is not None:
        service = in_service(result.splice_ohm, given.current_a, size, material)
    missing = [name for name, value in given.uncertainties.items() if value is None]
    stated = len(missing) < len(given.uncertainties)
    document = _document(result, missing, service, stated=stated)
    print_result(as_json, document, _lines(result, missing, service, stated=stated))
    return 1 if result.void_reason else 0


def _of_reading(u_mohm: float | None) -> Contribution:
    return Contribution("reading", (u_mohm or 0.0) * 1e-3)


def _by_length(given: Given) -> SpliceResistance:
    spans = [
        WireSpan(
            size,
            material_named(given.material),
            length_m,
            (given.span_u_mm or 0.0) * 1e-3,
            (given.wire_u_percent or 0.0) / 100.0,
            _per_metre(given, size),
        )
        for size, length_m in _lengths(given)
    ]
    return reduce_by_length(
        given.reading_mohm * 1e-3,
        [_of_reading(given.reading_u_mohm)],
        spans,
        temperature_c=given.at_c,
        u_temperature_k=given.temperature_u_c or 0.0,
        replaced_m=_replaced_m(given),
    )


def _lengths(given: Given) -> list[tuple[WireSize, float]]:
    """Which wire counts with which length, in metres."""
    if given.family is not None:
        sizes = [parse_size(wire) for wire in (given.wire, given.wire2) if wire is not None]
        return _family(given.family).wire_lengths(sizes, given.span_mm * 1e-3)
    sides = ((given.wire, given.span_mm), (given.wire2, given.span2_mm))
    return [
        (parse_size(wire), length_mm * 1e-3)
        for wire, length_mm in sides
        if wire is not None and length_mm is not None
    ]


def _family(name: str) -> Family:
    """A family by its id, in which a dash may stand for a space."""
    families = shipped_book().families
    known = {key.replace(" ", "-"): family for key, family in families.items()}
    if name.replace(" ", "-") not in known:
        raise BadInput(f"There is no family {name[:40]!r}: there are {', '.join(known)}.")
    return known[name.replace(" ", "-")]


def _per_metre(given: Given, size: WireSize) -> PerMetre | None:
    """Of the reel, or anywhere in the band; None where the nominal size was asked for."""
    if given.reel_mohm_per_m is not None:
        return of_reel(given.reel_mohm_per_m * 1e-3, (given.reel_u_percent or 0.0) / 100.0)
    return of_band(size, material_named(given.material)) if given.by_band else None


def _replaced_m(given: Given) -> float:
    """Wire that the family's longest connector for this wire stands for."""
    if given.family is None:
        return 0.0
    family, size = _family(given.family), parse_size(given.wire)
    return 1e-3 * max(
        (
            connector.replaces_wire_mm
            for connector in shipped_book().connectors.values()
            if connector.family == family.id and connector.accepts_size(size)
        ),
        default=0.0,
    )


def _by_reference(given: Given) -> SpliceResistance:
    reference = ReferenceReading(
        (given.reference_mohm or 0.0) * 1e-3,
        (_of_reading(given.reference_u_mohm),),
        (given.reference_span_mm or 0.0) * 1e-3,
    )
    # Both readings are taken in one air: only the difference of their temperatures would matter.
    return reduce_by_reference(
        given.reading_mohm * 1e-3,
        [_of_reading(given.reading_u_mohm)],
        reference,
        span_m=given.span_mm * 1e-3,
        u_span_m=(given.span_u_mm or 0.0) * 1e-3,
        material=material_named(given.material),
        u_temperature_k=given.temperature_u_c or 0.0,
        replaced_m=_replaced_m(given),
    )


def _document(
    result: SpliceResistance, missing: list[str], service: InService | None, *, stated: bool
) -> dict[str, object]:
    dof = result.effective_dof
    return {
        "splice_mohm": result.splice_ohm * 1e3,
        "splice_u_mohm": result.u_ohm * 1e3 if stated else None,
        "wire_share_mohm": result.wire_share_ohm * 1e3,
        "budget": [
            {"name": line.name, "u_mohm": line.u * 1e3} for line in result.budget.contributions
        ],
        "effective_dof": dof if math.isfinite(dof) else None,
        "temperature_corrected": result.temperature_c is not None,
        "not_stated": missing,
        "void_reason": result.void_reason,
        "voltage_drop_mv": None if service is None else service.voltage_drop_v * 1e3,
        "heat_mw": None if service is None else service.heat_w * 1e3,
        "equivalent_wire_mm": None if service is None else service.equivalent_length_m * 1e3,
    }


def _lines(
    result: SpliceResistance, missing: list[str], service: InService | None, *, stated: bool
) -> Iterator[str]:
    u = f" (u = {result.u_ohm * 1e3:.3f} mΩ)" if stated else ""
    corrected = "not corrected for temperature"
    if result.temperature_c is not None:
        corrected = f"at {result.temperature_c:g} °C"
    yield f"splice      {result.splice_ohm * 1e3:.3f} mΩ{u}"
    yield f"wire share  {result.wire_share_ohm * 1e3:.3f} mΩ, {corrected}"
    for line in result.budget.contributions:
        yield f"    u from {line.name}: {line.u * 1e3:.4f} mΩ"
    if service is not None:
        yield (
            f"in service  {service.voltage_drop_v * 1e3:.3g} mV, {service.heat_w * 1e3:.3g} mW, "
            f"as much as {service.equivalent_length_m * 1e3:.3g} mm of the wire"
        )
    if missing:
        yield f"Not stated and so not counted: {', '.join(missing)}."
    if result.void_reason:
        yield f"VOID: {result.void_reason}."
