"""Signing at the command line: who does it, and that it is really them.

A command that needs a right takes ``--person NAME`` and calls :func:`signed_by` before it changes
anything. The passphrase is asked for, or taken from the environment where a script runs.
"""

import os
import shlex

import click

from station.cli.options import Command, record_options
from station.errors import NotAllowed
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.rights import Right
from station.shop.sign_in import Doors, active_person, leads_with_secret

FROM_ENVIRONMENT = "STATION_PASSPHRASE"
NEW_FROM_ENVIRONMENT = "STATION_NEW_PASSPHRASE"


def signing_options(command: Command) -> Command:
    """Add ``--person``: who signs, on record with a PIN or passphrase; and `record_options`."""
    return click.option(
        "--person", required=True, prompt="Who are you", metavar="NAME",
        help=f"Who signs; the PIN or passphrase is asked for, or taken from {FROM_ENVIRONMENT}.",
    )(record_options(command))  # fmt: skip


def signed_by(ledger: Ledger, name: str, right: Right) -> PersonRow:
    """Let the named person do one thing, after their PIN or passphrase.

    Parameters
    ----------
    ledger
        Open for writing: the signature, a wrong secret or a refusal goes into its audit.

    Raises
    ------
    NotAllowed
        Nobody can sign on this bench yet, or this person cannot (the message says how that
        begins), the name is not on record, or the role does not have the right.
    WrongSecret, LockedOut
        The secret is wrong, or was wrong too often.
    """
    doors = Doors(ledger, "command")
    doors.demand(active_person(ledger.reader, name), right)
    demand_secret(doors, name)
    return doors.sign_in(name, secret_of(name), reason=right)


def demand_secret(doors: Doors, name: str) -> None:
    """Refuse who has nothing to sign by (NotAllowed, with the way to it), before it is asked for.

    Whoever can run commands can read who signs by what from ``station people list``.
    """
    if not leads_with_secret(doors.ledger.reader, doors.secrets):
        raise NotAllowed(
            "No lead can sign in yet: run 'station people code' at the station's console, then "
            "enter its one-time code on the page or with 'station people first'."
        )
    if name not in doors.secrets.kinds():
        raise NotAllowed(
            f"{name} has no PIN or passphrase yet: a lead gives one by 'station people passphrase "
            f"{shlex.quote(name)} --person LEAD', or under People on the page."
        )


def secret_of(name: str) -> str:
    """Ask for somebody's PIN or passphrase, without showing it."""
    words = f"PIN or passphrase of {name}"
    return os.environ.get(FROM_ENVIRONMENT) or click.prompt(words, hide_input=True, err=True)


def new_secret_of(name: str) -> str:
    """Ask twice for a new PIN or passphrase."""
    return os.environ.get(NEW_FROM_ENVIRONMENT) or click.prompt(
        f"New PIN or passphrase of {name}", hide_input=True, confirmation_prompt=True, err=True
    )
