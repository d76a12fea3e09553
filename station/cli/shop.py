"""Commands on who and what the workshop has: people and tools."""

from pathlib import Path

import click

from station.cli.ledgers import default_ledger, reading, writing
from station.cli.options import (
    facts,
    ledger_option,
    person_option,
    picked,
    print_aside,
    print_result,
    record_options,
    settings_option,
)
from station.cli.signing import demand_secret, new_secret_of, secret_of, signed_by, signing_options
from station.errors import NotAllowed
from station.ledger.rows import DoorRow, PersonRow
from station.ledger.store import Ledger
from station.settings import read_settings
from station.shop.rights import Right, Role
from station.shop.secrets import SecretFile
from station.shop.sign_in import Doors, active_person
from station.shop.tools import described_tool

AUDIT_ROWS = 100

_role_choice = click.Choice([role.value for role in Role])


@click.group(epilog="Example: station people list")
def people() -> None:
    """Who is on record, who may sign, and what happened at the door."""


@people.command("list", epilog="Example: station people list --json")
@click.option("--former", is_flag=True, help="Those who left as well.")
@record_options
def list_people(former: bool, ledger_path: Path | None, as_json: bool) -> None:
    """List the people on record."""
    path = ledger_path or default_ledger()
    with reading(path) as reader:
        rows = reader.people(former=former)
    kinds = SecretFile(path).kinds()
    documents = [_person_document(row, kinds.get(row.name)) for row in rows]
    lines = facts((row.name, _person_words(row, kinds.get(row.name))) for row in rows)
    print_result(as_json, documents, lines if rows else ["Nobody is on record yet."])


@people.command(epilog="Example: station people code")
@record_options
def code(ledger_path: Path | None, as_json: bool) -> None:
    """Show a one-time code that makes the first lead, while none can sign in.

    Where every lead's passphrase is lost: stop the station, remove the file that ends in .secrets
    beside the ledger, and begin again here. The audit keeps both.
    """
    with writing(ledger_path) as ledger:
        made = Doors(ledger, "command").show_code()
    if made is None:
        raise NotAllowed("There is a lead who can sign in, so there is no code: ask one.")
    print_result(as_json, {"code": made}, [made])
    if not as_json:
        print_aside("Good for one day and one use, by 'station people first' or on the page.")


@people.command(epilog="Example: station people first 'Ann Example' --code 1234-5678-9012")
@click.argument("name")
@click.option("--code", "given", required=True, prompt="One-time code", metavar="CODE")
@record_options
def first(name: str, given: str, ledger_path: Path | None, as_json: bool) -> None:
    """Make the first lead by the one-time code of 'station people code' or 'station serve'."""
    with writing(ledger_path) as ledger:
        row = Doors(ledger, "command").first_lead(given, name, new_secret_of(name))
        _said(ledger, row, as_json, f"{row.name} is a lead and can sign in.")


@people.command(
    epilog="Example: station people add 'Bo Invented' --role installer --person 'Ann Example'"
)
@click.argument("name")
@click.option("--role", type=_role_choice, required=True)
@signing_options
def add(name: str, role: str, person: str, ledger_path: Path | None, as_json: bool) -> None:
    """Put somebody on record, or back on record."""
    with writing(ledger_path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        row = Doors(ledger, "command").add(lead, name, role)
        _said(ledger, row, as_json, f"{row.name} is on record as {row.role}.")


@people.command(
    epilog="Example: station people role 'Bo Invented' lead --person 'Ann Example' --reason '...'"
)
@click.argument("name")
@click.argument("role", type=_role_choice)
@click.option("--reason", default="", show_default=False, help="For the record.")
@signing_options
def role(
    name: str, role: str, reason: str, person: str, ledger_path: Path | None, as_json: bool
) -> None:
    """Give somebody another role."""
    with writing(ledger_path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        row = Doors(ledger, "command").change_role(lead, name, role, reason)
        _said(ledger, row, as_json, f"{row.name} is on record as {row.role}.")


@people.command(epilog="Example: station people leave 'Bo Invented' --person 'Ann Example'")
@click.argument("name")
@click.option("--reason", default="", show_default=False, help="For the record.")
@signing_options
def leave(name: str, reason: str, person: str, ledger_path: Path | None, as_json: bool) -> None:
    """Note that somebody has left. Their samples stay theirs; their secret is forgotten."""
    with writing(ledger_path) as ledger:
        lead = signed_by(ledger, person, Right.MANAGE_PEOPLE)
        Doors(ledger, "command").leave(lead, name, reason)
        row = ledger.reader.person(name)
        _said(ledger, row, as_json, f"{name} has left.")


@people.command(epilog="Example: station people passphrase 'Bo Invented' --person 'Ann Example'")
@click.argument("name")
@signing_options
def passphrase(name: str, person: str, ledger_path: Path | None, as_json: bool) -> None:
    """Give a PIN or passphrase: your own anew, or as a lead somebody else's.

    The new one is asked for, or taken from STATION_NEW_PASSPHRASE.
    """
    with writing(ledger_path) as ledger:
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
@click.option("--limit", type=click.IntRange(1, 100_000), default=AUDIT_ROWS)
@record_options
def audit(about: str | None, limit: int, ledger_path: Path | None, as_json: bool) -> None:
    """List sign-ins, failures, lock-outs, refusals and changes of people, newest first."""
    with reading(ledger_path) as reader:
        rows = reader.audit(about, limit=limit)
    print_result(as_json, [_door_document(row) for row in rows], map(_door_words, rows))


def _door_words(row: DoorRow) -> str:
    at = row.at_utc.astimezone().isoformat(sep=" ", timespec="seconds")
    by = "" if row.person == row.about else f", by {row.person}"
    way = "" if row.way is None else f", {row.way}" + (f" {row.address}" if row.address else "")
    detail = f": {row.detail}" if row.detail else ""
    return f"{at}  {row.event.replace('_', ' ')}, {row.about}{by}{way}{detail}"


def _said(ledger: Ledger, row: PersonRow | None, as_json: bool, sentence: str) -> None:
    kinds = SecretFile(ledger.path).kinds()
    print_result(as_json, row and _person_document(row, kinds.get(row.name)), [sentence])


def _person_words(row: PersonRow, kind: str | None) -> str:
    state = "" if row.active else ", has left"
    return f"{row.role}, {f'signs by {kind}' if kind else 'cannot sign'}{state}"


def _person_document(row: PersonRow, kind: str | None) -> dict[str, object]:
    said = picked(row, "name role active demo")
    return said | {"secret": kind, "since_utc": row.at_utc.isoformat()}


def _door_document(row: DoorRow) -> dict[str, object]:
    said = picked(row, "event about person way address detail demo")
    return {"seq": row.seq, "at_utc": row.at_utc.isoformat()} | said


@click.group(epilog="Example: station tool list")
def tool() -> None:
    """Put tools and their nests on record, and list them."""


@tool.command(
    "add", epilog="Example: station tool add Egret --nest red --nest blue --person 'Bo Invented'"
)
@click.argument("name")
@click.option(
    "--nest", "nests", multiple=True, required=True, metavar="NEST",
    help="A die cavity, as people call it; once for each.",
)  # fmt: skip
@click.option("--description", default="", show_default=False, help="What tool it is.")
@click.option("--serial", default="", show_default=False, help="The number on it.")
@person_option
@settings_option
@ledger_option
def add_tool(
    name: str, nests: tuple[str, ...], description: str, serial: str, person: str,
    ledger_path: Path | None, settings_path: Path | None,
) -> None:  # fmt: skip
    """Put a tool on record, or add nests to one that is."""
    with writing(ledger_path or read_settings(settings_path).ledger) as ledger:
        reader = ledger.reader
        active_person(reader, person)
        added = described_tool(reader, name, nests, description, serial)
        marked = added.model_copy(update={"demo": reader.is_demo()})
        ledger.append(marked, person=person)
    click.echo(f"{added.tool} is on record with {', '.join(added.nests)}. Validate it next.")


@tool.command("list", epilog="Example: station tool list --json")
@record_options
def list_tools(ledger_path: Path | None, as_json: bool) -> None:
    """List the tools on record with their nests."""
    with reading(ledger_path) as reader:
        rows = reader.tools()
    documents = [picked(row, "tool nests description serial demo") for row in rows]
    lines = [
        f"{row.tool}: {', '.join(row.nests)}" + f"  {row.description}".rstrip() for row in rows
    ]
    none = "No tool is on record: put one there with station tool add."
    print_result(as_json, documents, lines or [none])
