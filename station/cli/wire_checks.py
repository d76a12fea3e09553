"""Command that tells what a wire really is: wire-check."""

import click

from station.cli.output import check_uncertainties, json_option, print_json
from station.crimp.wire import MATERIALS, material_named, parse_size
from station.crimp.wire_check import Candidate, WireCheck, check_wire

_EXIT = {"as sold": 0, "cannot tell": 0, "not as sold": 1}


@click.command(
    "wire-check",
    epilog="Example: station wire-check --sold-as '18 AWG' --length-mm 1000 --reading-mohm 33.1 "
    "--reading-u-mohm 0.05 --length-u-mm 2 --at-c 22",
)
@click.option("--sold-as", required=True, metavar="SIZE", help="What the reel says.")
@click.option("--material", type=click.Choice(sorted(MATERIALS)), default="copper")
@click.option("--length-mm", type=float, required=True, help="Wire between the sense clips.")
@click.option("--reading-mohm", type=float, required=True, help="Four-wire resistance of it.")
@click.option("--reading-u-mohm", type=float, default=0.0)
@click.option("--length-u-mm", type=float, default=1.0, show_default=True)
@click.option("--at-c", type=float, default=20.0, show_default=True)
@click.option("--temperature-u-c", type=float, default=2.0, show_default=True)
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
    """Say whether a wire is what it was sold as, from the resistance of a length of it."""
    check_uncertainties(
        {
            "--reading-u-mohm": reading_u_mohm,
            "--length-u-mm": length_u_mm,
            "--temperature-u-c": temperature_u_c,
        }
    )
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
    if as_json:
        print_json(_document(result))
    else:
        click.echo(result.sentence)
        for candidate in result.candidates:
            expected = candidate.expected_ohm_per_m * 1e3
            click.echo(
                f"    {candidate.name}: {expected:.4g} mΩ/m expected, measured is "
                f"{candidate.deviation * 100:+.1f} %"
            )
    return _EXIT[result.answer]


def _document(result: WireCheck) -> dict[str, object]:
    return {
        "answer": result.answer,
        "sentence": result.sentence,
        "mohm_per_m": result.ohm_per_m * 1e3,
        "u_mohm_per_m": result.u_ohm_per_m * 1e3,
        "sold_as": _candidate(result.sold),
        "candidates": [_candidate(candidate) for candidate in result.candidates],
    }


def _candidate(candidate: Candidate) -> dict[str, object]:
    return {
        "size": candidate.size.label,
        "material": candidate.material.name,
        "expected_mohm_per_m": candidate.expected_ohm_per_m * 1e3,
        "deviation_percent": candidate.deviation * 100,
        "z": candidate.z,
        "consistent": candidate.consistent,
    }


COMMANDS = (wire_check,)
