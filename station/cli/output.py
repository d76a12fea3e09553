"""Printing results: one JSON document, or lines that people read; checking what was given."""

import json
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import click

from station.errors import BadInput

Command = Callable[..., Any]


def json_option(command: Command) -> Command:
    """Add ``--json``: one JSON document on standard output, nothing else."""
    return click.option(
        "as_json", "--json", is_flag=True, help="Print one JSON document and nothing else."
    )(command)


def plot_option(command: Command) -> Command:
    """Add ``--plot FILE``: also draw the result."""
    return click.option(
        "--plot",
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help="Also draw it: .svg, .png or .pdf.",
    )(command)


def print_json(document: object) -> None:
    """Print a result as one JSON document; NaN and infinity are refused."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))


def print_facts(pairs: Iterable[tuple[str, str]]) -> None:
    """Print names and values in two aligned columns."""
    rows = list(pairs)
    width = max((len(name) for name, _ in rows), default=0)
    for name, value in rows:
        click.echo(f"{name:<{width}}  {value}")


def print_warnings(warnings: Iterable[str]) -> None:
    """Print what speaks against a result, a line each."""
    for warning in warnings:
        click.echo(f"Warning: {warning}")


def check_uncertainties(stated: dict[str, float | None]) -> None:
    """Refuse an uncertainty that is negative or not a number (BadInput)."""
    for name, value in stated.items():
        if value is not None and not (math.isfinite(value) and value >= 0.0):
            raise BadInput(f"{name} must be a number that is not negative, not {value}.")
