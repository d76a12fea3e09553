"""What commands share: options, results in JSON or in lines, cautions. Light: it loads click."""

import json
import math
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import click

from station.errors import BadInput

FILE = click.Path(path_type=Path, dir_okay=False)
OLD_FILE = click.Path(path_type=Path, dir_okay=False, exists=True)

REAL = (
    "Eye protection on. Battery disconnected and the circuit dead before any clip goes on; never "
    "on airbag or other pyrotechnic circuits. Guard closed, nobody in line with the pull. A pulled "
    "sample is scrap. This program is not a safety function."
)
SIMULATED = (
    "Simulated instruments. On a real bench: eye protection, guard closed, nobody in line with "
    "the pull; battery disconnected and the circuit dead before any clip goes on; never on airbag "
    "or other pyrotechnic circuits; a pulled sample is scrap. This program is not a safety "
    "function."
)

json_option = click.option(
    "as_json", "--json", is_flag=True, help="Print one JSON document and nothing else."
)
ledger_option = click.option(
    "--ledger", "ledger_path", type=FILE, metavar="FILE",
    help="Default: the station's ledger, or the demo's where that is the only one.",
)  # fmt: skip
settings_option = click.option(
    "--settings", "settings_path", type=FILE, metavar="FILE", help="The bench's settings."
)
person_option = click.option(
    "--person", required=True, metavar="NAME", help="Who does it, as on record."
)


Command = Callable[..., Any]


def record_options(command: Command) -> Command:
    """Add ``--ledger`` and ``--json``."""
    return ledger_option(json_option(command))


def bench_options(command: Command) -> Command:
    """Add ``--settings``, ``--ledger`` and ``--json``."""
    return settings_option(record_options(command))


def csv_options(command: Command) -> Command:
    """Add the argument ``FILE``, which must exist, and ``--json``."""
    return click.argument("file", type=OLD_FILE)(json_option(command))


def study_options(command: Command) -> Command:
    """Add ``FILE``, ``--plot`` and ``--json``."""
    plotted = click.option(
        "--plot", type=FILE, metavar="FILE", help="Also draw it: .svg, .png or .pdf."
    )
    return click.argument("file", type=OLD_FILE)(plotted(json_option(command)))


def _not_negative(
    _context: click.Context, option: click.Parameter, value: float | None
) -> float | None:
    if value is not None and not (math.isfinite(value) and value >= 0.0):
        raise BadInput(f"{option.opts[0]} must be a number that is not negative, not {value}.")
    return value


size_option = partial(click.option, type=float, callback=_not_negative)
"""Makes an option for an uncertainty or a size; BadInput where it is negative or no number."""


def print_json(document: object) -> None:
    """Print a result as one JSON document; NaN and infinity are refused."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))


def picked(result: object, names: str) -> dict[str, Any]:
    """Some attributes of a result under their own names, which stand with spaces between."""
    return {name: getattr(result, name) for name in names.split()}


def facts(pairs: Iterable[tuple[str, str | None]]) -> Iterator[str]:
    """Names and values in two aligned columns, as lines; a value of None is left out."""
    rows = [(name, value) for name, value in pairs if value is not None]
    width = max((len(name) for name, _ in rows), default=0)
    return (f"{name:<{width}}  {value}" for name, value in rows)


def print_lines(lines: Iterable[str]) -> None:
    """Print lines on standard output."""
    for line in lines:
        click.echo(line)


def print_result(as_json: bool, document: object, lines: Iterable[str]) -> None:
    """Print a result as one JSON document, or as lines for people."""
    if as_json:
        print_json(document)
    else:
        print_lines(lines)


def warned(warnings: Iterable[str]) -> Iterator[str]:
    """What speaks against a result, a line each."""
    return (f"Warning: {warning}" for warning in warnings)


def print_aside(text: str) -> None:
    """Say something beside the result, on standard error."""
    click.echo(text, err=True)
