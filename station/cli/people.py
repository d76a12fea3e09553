"""Commands on people: people list, code, first, add, role, leave, passphrase, audit."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, print_facts, print_json
from station.cli.signing import demand_secret, new_secret_of, secret_of, signed_by, signing_option
from station.errors import NotAllowed
from station.ledger.queries import DoorRow, LedgerReader, PersonRow
from station.ledger.store import Ledger
from station.shop.rights import Right, Role
from station.shop.secrets import SecretFile
from station.shop.sign_in import Doors, active_person

AUDIT_ROWS = 100

Command = Callable[..., Any]

_role_choice = click.Choice([role.value for role in Role])


def _ledger_option(command: Command) -> Command:
    return click.option(
        "--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
        help="Default: the station's ledger, or the demo's where that is the only one.",
    )(command)  # fmt: skip


@click.group(epilog="Example: station people list")
def people() -> None:
    """Who is on record, who may sign, and what happened at the door."""


@people.command("list", epilog="Example: station people list --json")
@click.option("--former", is_flag=True, help="Those who left as well.")
@_ledger_option
@json_option
def list_people(former: bool, path: Path | None, as_json: bool) -> None:
    """List the people on record."""
    path = path or default_ledger()
    with LedgerReader.open(path) as reader:
        rows = reader.people(former=former)
    kinds = SecretFile(path).kinds()
    if as_json:
        print_json([_person_document(row, kinds.get(row.name)) for row in rows])
        return
    print_facts((row.name, _person_words(row, kinds.get(row.name))) for row in rows)
    if not rows:
        click.echo("Nobody is on record yet.")


@people.command(epilog="Example: station people code")
@_ledger_option
@json_option
def code(path: Path | None, as_json: bool) -> None:
    """Show a one-time code that makes the first lead, while none can sign in.

    Where every lead's passphrase is lost: stop the station, remove the file that ends in .secrets
    beside the ledger, and begin again here. The audit keeps both.
    """
    with _opened(path) as ledger:
        made = Doors(ledger, "command").show_code()
    if made is None:
        raise NotAllowed("There is a lead who can sign in, so there is no code: ask one.")
    if as_json:
        print_json({"code": made})
        return
    click.echo(f"{made}")
    click.echo("Good for one day and one use, by 'station people first' or on the page.", err=True)


@people.command(epilog="Example: station people first 'Ann Example' --code 1234-5678-9012")
@click.argument("name")
@click.option("--code", "given", required=True, prompt="One-time code", metavar="CODE")
@_ledger_option
@json_option
def first(name: str, given: str, path: Path | None, as_json: bool) -> None:
    """Make the first lead by the one-time code of 'station people code' or 'station serve'."""
    with _opened(path) as ledger:
        row = Doors(ledger, "command").first_lead(given, name, new_secret_of(name))
        _said(ledger, row, as_json, f"{row.name} is a lead and can sign in.")


@people.command(epilog="Example: station people add 'Bo Invented' --role installer --person Ann")
@click.argument("name")
@click.option("--role", type=_role_choice, required=True)
@signing_option
@_ledger_option
@json_option
def add(name: str, role: str, person: str, path: Path | None, as_json: bool) -> None:
    """Put somebody on record, or back on record."""
    with _opened(path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        row = Doors(ledger, "command").add(lead, name, role)
        _said(ledger, row, as_json, f"{row.name} is on record as {row.role}.")


@people.command(
    epilog="Example: station people role 'Bo Invented' lead --person Ann --reason '...'"
)
@click.argument("name")
@click.argument("role", type=_role_choice)
@click.option("--reason", default="", help="For the record.")
@signing_option
@_ledger_option
@json_option
def role(name: str, role: str, reason: str, person: str, path: Path | None, as_json: bool) -> None:
    """Give somebody another role."""
    with _opened(path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        row = Doors(ledger, "command").change_role(lead, name, role, reason)
        _said(ledger, row, as_json, f"{row.name} is on record as {row.role}.")


@people.command(epilog="Example: station people leave 'Bo Invented' --person Ann")
@click.argument("name")
@click.option("--reason", default="", help="For the record.")
@signing_option
@_ledger_option
@json_option
def leave(name: str, reason: str, person: str, path: Path | None, as_json: bool) -> None:
    """Note that somebody has left. Their samples stay theirs; their secret is forgotten."""
    with _opened(path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        Doors(ledger, "command").leave(lead, name, reason)
        row = ledger.reader.person(name)
        _said(ledger, row, as_json, f"{name} has left.")


@people.command(epilog="Example: station people passphrase 'Bo Invented' --person Ann")
@click.argument("name")
@signing_option
@_ledger_option
@json_option
def passphrase(name: str, person: str, path: Path | None, as_json: bool) -> None:
    """Give a PIN or passphrase: your own anew, or as a lead somebody else's.

    The new one is asked for, or taken from STATION_NEW_PASSPHRASE.
    """
    with _opened(path) as ledger:
        doors = Doors(ledger, "command")
        if person == name:
            active_person(ledger.reader, person)
            demand_secret(doors, person)
            actor = doors.sign_in(person, secret_of(person), reason="change the own secret")
        else:
            actor = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        doors.set_secret(actor, name, new_secret_of(name))
        _said(ledger, ledger.reader.person(name), as_json, f"{name} has a new secret.")


@people.command(epilog="Example: station people audit --about 'Bo Invented'")
@click.option("--about", metavar="NAME", help="Only what concerns this person's door.")
@click.option("--limit", type=click.IntRange(1, 100_000), default=AUDIT_ROWS, show_default=True)
@_ledger_option
@json_option
def audit(about: str | None, limit: int, path: Path | None, as_json: bool) -> None:
    """List sign-ins, failures, lock-outs, refusals and changes of people, newest first."""
    with LedgerReader.open(path or default_ledger()) as reader:
        rows = reader.audit(about, limit=limit)
    if as_json:
        print_json([_door_document(row) for row in rows])
        return
    for row in rows:
        click.echo(door_words(row))


def door_words(row: DoorRow) -> str:
    """One line of the audit in words."""
    at = row.at_utc.astimezone().isoformat(sep=" ", timespec="seconds")
    by = "" if row.person == row.about else f", by {row.person}"
    way = "" if row.way is None else f", {row.way}" + (f" {row.address}" if row.address else "")
    detail = f": {row.detail}" if row.detail else ""
    return f"{at}  {row.event.replace('_', ' ')}, {row.about}{by}{way}{detail}"


def _opened(path: Path | None) -> Ledger:
    return Ledger.open(path or default_ledger(), create=False)


def _said(ledger: Ledger, row: PersonRow | None, as_json: bool, sentence: str) -> None:
    if not as_json:
        click.echo(sentence)
    elif row is not None:
        print_json(_person_document(row, SecretFile(ledger.path).kinds().get(row.name)))


def _person_words(row: PersonRow, kind: str | None) -> str:
    state = "" if row.active else ", has left"
    return f"{row.role}, {f'signs by {kind}' if kind else 'cannot sign'}{state}"


def _person_document(row: PersonRow, kind: str | None) -> dict[str, object]:
    return {
        "name": row.name,
        "role": row.role,
        "active": row.active,
        "secret": kind,
        "since_utc": row.at_utc.isoformat(),
        "demo": row.demo,
    }


def _door_document(row: DoorRow) -> dict[str, object]:
    return {
        "seq": row.seq,
        "at_utc": row.at_utc.isoformat(),
        "event": row.event,
        "about": row.about,
        "person": row.person,
        "way": row.way,
        "address": row.address,
        "detail": row.detail,
        "demo": row.demo,
    }


COMMANDS = (people,)
