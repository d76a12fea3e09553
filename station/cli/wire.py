"""Commands on a wire: what a size means, and whether a wire is what it was sold as."""

from dataclasses import asdict

import click

from station.cli.options import (
    facts,
    json_option,
    picked,
    print_result,
    size_option,
)
from station.crimp.units import NEWTON_PER_LBF, SQUARE_MILLIMETRE_M2, standing_words
from station.crimp.wire import (
    CONSERVATIVE_CURRENT_WORDS,
    MATERIALS,
    Material,
    WireSize,
    conservative_current_a,
    material_named,
    parse_size,
    resistance_ohm_per_m,
    soft_break_force_n,
    temperature_factor,
)
from station.crimp.wire_check import Candidate, WireCheck, check_wire
from station.crimp.wire_tables import (
    BASES,
    IEC_60228_SOURCE,
    Ampacity,
    Basis,
    WireBand,
    ampacities,
    iec_60228_max_ohm_per_m,
)
from station.errors import BadInput

# A size such as "-3 AWG" must reach the parser and be refused by it, not be taken for an option.
SIZES_MAY_START_WITH_A_DASH = {"ignore_unknown_options": True}

material_option = click.option(
    "--material", type=click.Choice(sorted(MATERIALS)), default="copper", help="Metal of the wire."
)


@click.command(
    context_settings=SIZES_MAY_START_WITH_A_DASH,
    epilog='Example: station wire "18 AWG" --material cca-15 --at-c 35',
)
@click.argument("size")
@material_option
@click.option("--at-c", default=20.0, help="Temperature in °C.")
@click.option(
    "--basis",
    type=click.Choice(BASES),
    default="area",
    help="Resistance of exactly this metal area, or the highest that IEC 60228 allows.",
)
@json_option
def wire(size: str, material: str, at_c: float, basis: Basis, as_json: bool) -> None:
    """Print what is known of a wire SIZE: metal, resistance, breaking force, current."""
    known = parse_size(size)
    metal = material_named(material)
    per_metre, source = _wire_resistance(known, metal, at_c, basis)
    force_n = soft_break_force_n(known, metal)
    current_a = conservative_current_a(known, metal)
    published = ampacities(known) if metal.is_copper else []
    document = {
        "size": known.label,
        "material": metal.name,
        "area_mm2": known.area_m2 / SQUARE_MILLIMETRE_M2,
        "diameter_mm": known.diameter_m * 1e3,
        "circular_mils": known.circular_mils,
        "resistance_mohm_per_m": per_metre * 1e3,
        "basis": basis,
        "temperature_c": at_c,
        "soft_break_force_n": force_n,
        "conservative_current_a": current_a,
        "ampacities": [asdict(one) for one in published],
        "source": source,
    }
    area = f"{document['area_mm2']:.4g} mm² ({known.circular_mils:.0f} circ. mils)"
    current = "no rule for this metal"
    if current_a is not None:
        current = f"{current_a:.2g} A: {CONSERVATIVE_CURRENT_WORDS}"
    rows = [
        ("size", f"{known.label}, {metal.name}"),
        ("metal area", area),
        ("solid diameter", f"{document['diameter_mm']:.4g} mm"),
        ("resistance", f"{per_metre * 1e3:.4g} mΩ/m at {at_c:g} °C ({BASIS_WORDS[basis]})"),
        ("soft wire breaks at", f"about {force_n:.4g} N ({force_n / NEWTON_PER_LBF:.3g} lbf)"),
        ("conservative current", current),
        *((f"{one.current_a:.3g} A", _ampacity_words(one)) for one in published),
        ("from", source),
    ]
    print_result(as_json, document, facts(rows))


def _ampacity_words(one: Ampacity) -> str:
    return f"{one.title}: {one.conditions} ({one.source}; {standing_words(one.standing)})"


BASIS_WORDS: dict[Basis, str] = {
    "area": "exactly this metal area",
    "iec-60228-class-2": "highest allowed, stranded class 2",
    "iec-60228-class-5": "highest allowed, flexible class 5",
}


def _wire_resistance(
    size: WireSize, metal: Material, at_c: float, basis: Basis
) -> tuple[float, str]:
    """Ohm per metre at a temperature, and where it comes from."""
    if basis == "area":
        return resistance_ohm_per_m(size, metal, at_c), metal.source
    if not metal.is_copper:
        raise BadInput(f"IEC 60228 is asked here for copper only, not for {metal.name}.")
    tinned = metal.name == "tinned-copper"
    at_20_c = iec_60228_max_ohm_per_m(size, basis, tinned=tinned)
    return at_20_c * temperature_factor(metal, at_c), IEC_60228_SOURCE


_EXIT = {"as sold": 0, "cannot tell": 0, "not as sold": 1}


@click.command(
    "wire-check",
    # Broken by hand: click would break it within an option.
    epilog="\b\nExample: station wire-check --sold-as '18 AWG' --length-mm 1000 \\\n"
    "  --reading-mohm 33.1 --reading-u-mohm 0.05 --length-u-mm 2 --at-c 22",
)
@click.option("--sold-as", required=True, metavar="SIZE", help="What the reel says.")
@material_option
@click.option("--length-mm", type=float, required=True, help="Wire between the sense clips.")
@click.option("--reading-mohm", type=float, required=True, help="Four-wire resistance of it.")
@size_option("--reading-u-mohm", default=0.0)
@size_option("--length-u-mm", default=1.0)
@click.option("--at-c", default=20.0)
@size_option("--temperature-u-c", default=2.0)
@json_option
def wire_check(
    sold_as: str,
    material: str,
    length_mm: float,
    reading_mohm: float,
    reading_u_mohm: float,
    length_u_mm: float,
    at_c: float,
    temperature_u_c: float,
    as_json: bool,
) -> int:
    """Say whether a wire is what it was sold as, from its resistance; exit 1 where it is not."""
    result = check_wire(
        reading_mohm * 1e-3,
        length_mm * 1e-3,
        parse_size(sold_as),
        material_named(material),
        u_ohm=reading_u_mohm * 1e-3,
        u_length_m=length_u_mm * 1e-3,
        temperature_c=at_c,
        u_temperature_k=temperature_u_c,
    )
    lines = [
        f"    {candidate.name}: {candidate.expected_ohm_per_m * 1e3:.4g} mΩ/m expected, measured "
        f"is {candidate.deviation * 100:+.1f} %"
        for candidate in result.candidates
    ]
    print_result(as_json, _document(result), [result.sentence, *lines])
    return _EXIT[result.answer]


def _document(result: WireCheck) -> dict[str, object]:
    return {
        "answer": result.answer,
        "sentence": result.sentence,
        "mohm_per_m": result.ohm_per_m * 1e3,
        "u_mohm_per_m": result.u_ohm_per_m * 1e3,
        "sold_as": _candidate(result.sold),
        "candidates": [_candidate(candidate) for candidate in result.candidates],
        "fits": [_band(band) for band in result.fits],
    }


def _band(band: WireBand) -> dict[str, object]:
    return {
        "low_mohm_per_m": band.low_ohm_per_m * 1e3,
        "high_mohm_per_m": band.high_ohm_per_m * 1e3,
    } | picked(band, "standard source standing")


def _candidate(candidate: Candidate) -> dict[str, object]:
    return {
        "size": candidate.size.label,
        "material": candidate.material.name,
        "expected_mohm_per_m": candidate.expected_ohm_per_m * 1e3,
        "band": _band(candidate.band),
        "deviation_percent": candidate.deviation * 100,
    } | picked(candidate, "z consistent")
