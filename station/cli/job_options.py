"""What commands that begin a validation or a certification have in common."""

from collections.abc import Callable
from typing import Any

import click

Command = Callable[..., Any]

REAL = (
    "Eye protection on. Battery disconnected and the circuit dead before any clip goes on; never "
    "on airbag or other pyrotechnic circuits. Guard closed, nobody in line with the pull. A pulled "
    "sample is scrap. This program is not a safety function."
)

simulate_option = click.option(
    "--simulate", is_flag=True, help="Use simulated instruments; marks every record."
)
person_option = click.option("--person", required=True, prompt="Who are you", metavar="NAME")


def begin_options(command: Command) -> Command:
    """Add ``--plan``, ``--limit-set`` and ``--simulate``."""
    plan = click.option("--plan", "plan_id", metavar="ID", help="Default: the shipped plan.")
    limit_set = click.option(
        "--limit-set", metavar="ID", help="Default: the plan's, else the settings'."
    )
    invented = click.option(
        "--simulate", is_flag=True, help="Know the invented workshop's limits as well."
    )
    return plan(limit_set(invented(command)))
