"""Commands that compute from what they are given: wire, limits, judge."""

import math

import click

from station.cli.output import check_uncertainties, json_option, print_facts, print_json
from station.crimp.facts import shipped_limit_sets
from station.crimp.limits import Limit
from station.crimp.units import NEWTON_PER_LBF, SQUARE_MILLIMETRE_M2
from station.crimp.verdict import (
    DEFAULT_GUARD,
    JudgedCriterion,
    MeasuredForce,
    MeasuredResistance,
    SampleJudgement,
    Verdict,
    judge_sample,
)
from station.crimp.wire import (
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
from station.crimp.wire_tables import (
    BASES,
    IEC_60228_SOURCE,
    Basis,
    iec_60228_max_ohm_per_m,
)
from station.errors import BadInput, NoLimit

PEOPLE_UNITS = {"N": ("N", 1.0), "V": ("mV", 1e3), "ohm": ("mohm", 1e3), "1": ("1", 1.0)}
"""SI unit -> (unit that people read, factor)."""

# A size such as "-3 AWG" must reach the parser and be refused by it, not be taken for an option.
_SIZES_MAY_START_WITH_A_DASH = {"ignore_unknown_options": True}

_materials = click.Choice(sorted(MATERIALS))


@click.command(
    context_settings=_SIZES_MAY_START_WITH_A_DASH,
    epilog='Example: station wire "18 AWG" --material cca-15 --at-c 35',
)
@click.argument("size")
@click.option("--material", type=_materials, default="copper", show_default=True)
@click.option("--at-c", type=float, default=20.0, show_default=True, help="Temperature in °C.")
@click.option(
    "--basis",
    type=click.Choice(BASES),
    default="area",
    show_default=True,
    help="Resistance of exactly this metal area, or the highest that IEC 60228 allows.",
)
@json_option
def wire(size: str, material: str, at_c: float, basis: Basis, as_json: bool) -> None:
    """Print what is known of a wire SIZE: metal, resistance, breaking force, current."""
    known = parse_size(size)
    metal = material_named(material)
    per_metre, source = wire_resistance(known, metal, at_c, basis)
    document = {
        "size": known.label,
        "material": metal.name,
        "area_mm2": known.area_m2 / SQUARE_MILLIMETRE_M2,
        "diameter_mm": known.diameter_m * 1e3,
        "circular_mils": known.circular_mils,
        "resistance_mohm_per_m": per_metre * 1e3,
        "basis": basis,
        "temperature_c": at_c,
        "soft_break_force_n": soft_break_force_n(known, metal),
        "conservative_current_a": conservative_current_a(known, metal),
        "source": source,
    }
    if as_json:
        print_json(document)
        return
    current = document["conservative_current_a"]
    force_n = soft_break_force_n(known, metal)
    print_facts(
        [
            ("size", f"{known.label}, {metal.name}"),
            (
                "metal area",
                f"{document['area_mm2']:.4g} mm² ({known.circular_mils:.0f} circ. mils)",
            ),
            ("solid diameter", f"{document['diameter_mm']:.4g} mm"),
            ("resistance", f"{per_metre * 1e3:.4g} mΩ/m at {at_c:g} °C ({BASIS_WORDS[basis]})"),
            ("soft wire breaks at", f"about {force_n:.4g} N ({force_n / NEWTON_PER_LBF:.3g} lbf)"),
            (
                "conservative current",
                "no rule for this metal"
                if current is None
                else f"{current:.3g} A (700 circ. mils/A)",
            ),
            ("from", source),
        ]
    )


BASIS_WORDS: dict[Basis, str] = {
    "area": "exactly this metal area",
    "iec-60228-class-2": "highest allowed, stranded class 2",
    "iec-60228-class-5": "highest allowed, flexible class 5",
}


def wire_resistance(
    size: WireSize, metal: Material, at_c: float, basis: Basis
) -> tuple[float, str]:
    """Ohm per metre at a temperature, and where it comes from.

    Raises
    ------
    BadInput
        The table of the basis has no row for the size or the metal.
    """
    if basis == "area":
        return resistance_ohm_per_m(size, metal, at_c), metal.source
    if not metal.is_copper:
        raise BadInput(f"IEC 60228 is asked here for copper only, not for {metal.name}.")
    tinned = metal.name == "tinned-copper"
    at_20_c = iec_60228_max_ohm_per_m(size, basis, tinned=tinned)
    return at_20_c * temperature_factor(metal, at_c), IEC_60228_SOURCE


@click.command(
    context_settings=_SIZES_MAY_START_WITH_A_DASH,
    epilog='Example: station limits "18 AWG" --set ul-486a-1991',
)
@click.argument("size")
@click.option("set_id", "--set", metavar="ID", help="Only this limit set.")
@json_option
def limits(size: str, set_id: str | None, as_json: bool) -> None:
    """Print every limit for a wire SIZE with its source and standing."""
    found = shipped_limit_sets().for_size(parse_size(size), set_id)
    if as_json:
        print_json([_limit_document(limit) for limit in found])
        return
    for limit in found:
        click.echo(_limit_line(limit))
        click.echo(f"    {limit.source} [{standing_words(limit.standing)}]")
        click.echo(f"    {limit.conditions}" + (f"; {limit.note}" if limit.note else ""))
    click.echo("Limits are guidance: the standard's edition in force, local codes and licensed")
    click.echo("practice decide.")


def standing_words(standing: str) -> str:
    """Say how far a limit is to be trusted, in words."""
    if standing == "memory":
        return "unverified, from memory"
    if standing == "shop":
        return "the shop's own"
    count = int(standing.removeprefix("seen-"))
    return "seen in one text" if count == 1 else f"seen in {count} texts"


def _limit_document(limit: Limit) -> dict[str, object]:
    return {
        "set": limit.set_id,
        "criterion": limit.criterion,
        "value": limit.value,
        "unit": limit.unit,
        "value_si": limit.value_si,
        "unit_si": limit.unit_si,
        "test_current_a": limit.test_current_a,
        "source": limit.source,
        "standing": limit.standing,
        "conditions": limit.conditions,
        "note": limit.note,
    }


def _limit_line(limit: Limit) -> str:
    what = limit.criterion.replace("_", " ")
    printed = f"{limit.value:g} {limit.unit}"
    if limit.unit != limit.unit_si and limit.unit_si == "N":
        printed += f" = {limit.value_si:.1f} N"
    if limit.test_current_a is not None:
        printed += f" at {limit.test_current_a:g} A"
    return f"{limit.set_id}: {what} {printed}"


@click.command(
    epilog="Example: station judge --wire '18 AWG' --set ul-486a-1991 --force-n 92 --force-u-n 0.5"
)
@click.option("--wire", required=True, metavar="SIZE")
@click.option("set_id", "--set", required=True, metavar="ID", help="Limit set to judge by.")
@click.option("--force-n", type=float, help="Peak pull force in newton.")
@click.option("--force-u-n", type=float)
@click.option("--resistance-mohm", type=float, help="Resistance of the splice in milliohm.")
@click.option("--resistance-u-mohm", type=float)
@click.option("--current-a", type=float, help="Current for a voltage drop; else the set's own.")
@click.option("--length-mm", type=float, help="Length that a ratio to equal length is stated for.")
@click.option("--guard", type=float, default=DEFAULT_GUARD, show_default=True)
@json_option
def judge(
    wire: str,
    set_id: str,
    force_n: float | None,
    force_u_n: float | None,
    resistance_mohm: float | None,
    resistance_u_mohm: float | None,
    current_a: float | None,
    length_mm: float | None,
    guard: float,
    as_json: bool,
) -> int:
    """Judge a sample by one limit set; exit 1 where it fails."""
    check_uncertainties(
        {
            "--force-n": force_n,
            "--force-u-n": force_u_n,
            "--resistance-u-mohm": resistance_u_mohm,
            "--guard": guard,
        }
    )
    size = parse_size(wire)
    found = shipped_limit_sets().for_size(size, set_id)
    force = None if force_n is None else MeasuredForce(force_n, force_u_n)
    resistance = None
    if resistance_mohm is not None:
        resistance = _measured(resistance_mohm, resistance_u_mohm, size, length_mm)
    _check_something_to_judge(found, force, resistance)
    judged = judge_sample(
        found, force=force, resistance=resistance, current_a=current_a, guard=guard
    )
    if as_json:
        print_json(
            {
                "verdict": judged.verdict.value,
                "criteria": [_criterion_document(criterion) for criterion in judged.criteria],
            }
        )
    else:
        _print_judgement(judged, found[0].standing)
    return 1 if judged.verdict is Verdict.FAIL else 0


def _measured(
    resistance_mohm: float, u_mohm: float | None, size: WireSize, length_mm: float | None
) -> MeasuredResistance:
    if not math.isfinite(resistance_mohm):
        raise BadInput(f"--resistance-mohm must be a number, not {resistance_mohm}.")
    if length_mm is not None and not (math.isfinite(length_mm) and length_mm > 0.0):
        raise BadInput(f"--length-mm must be a positive length, not {length_mm}.")
    return MeasuredResistance(
        resistance_mohm * 1e-3,
        None if u_mohm is None else u_mohm * 1e-3,
        equal_length_ohm=(
            None if length_mm is None else resistance_ohm_per_m(size) * length_mm * 1e-3
        ),
    )


def _check_something_to_judge(
    found: list[Limit], force: MeasuredForce | None, resistance: MeasuredResistance | None
) -> None:
    criteria = {limit.criterion for limit in found}
    where = f"Limit set {found[0].set_id} for {found[0].size}"
    if force is None and resistance is None:
        raise BadInput("Nothing to judge: give --force-n, --resistance-mohm or both.")
    if force is not None and "pull_force_min" not in criteria:
        raise NoLimit(f"{where} has no pull force limit: leave --force-n out or use another set.")
    if resistance is not None and criteria <= {"pull_force_min"}:
        raise NoLimit(
            f"{where} has no electrical limit: leave --resistance-mohm out or use another set."
        )
    if (
        "resistance_ratio_max" in criteria
        and resistance is not None
        and resistance.equal_length_ohm is None
    ):
        raise BadInput(f"{where} compares with an equal length of wire: state it with --length-mm.")


def _criterion_document(criterion: JudgedCriterion) -> dict[str, object]:
    unit, factor = PEOPLE_UNITS[criterion.unit]
    return {
        "criterion": criterion.criterion,
        "unit": unit,
        "value": None if criterion.value is None else criterion.value * factor,
        "u": None if criterion.u is None else criterion.u * factor,
        "limit": criterion.limit * factor,
        "verdict": criterion.verdict.value,
        "probability_conforming": criterion.probability_conforming,
    }


def _print_judgement(judged: SampleJudgement, standing: str) -> None:
    click.echo(f"{judged.verdict.value.upper()}  (limits: {standing_words(standing)})")
    for criterion in judged.criteria:
        click.echo("    " + criterion_line(criterion))


def criterion_line(criterion: JudgedCriterion) -> str:
    """One criterion in one line: what was measured, the limit, and how sure."""
    unit, factor = PEOPLE_UNITS[criterion.unit]
    name = criterion.criterion.replace("_", " ")
    limit = f"limit {criterion.limit * factor:.4g} {unit}"
    if criterion.value is None:
        return f"{name}: not measured, {limit}: {criterion.verdict.value}"
    value = f"{criterion.value * factor:.4g}"
    if criterion.u is not None:
        value += f" (u {criterion.u * factor:.2g})"
    sure = ""
    if criterion.probability_conforming is not None:
        sure = f", conforming with probability {criterion.probability_conforming:.3f}"
    return f"{name}: {value} {unit}, {limit}: {criterion.verdict.value}{sure}"


COMMANDS = (wire, limits, judge)
