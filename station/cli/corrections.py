"""Command for a later word on the record: ledger correct."""

from pathlib import Path

import click

from station.cli.ledger_file import default_ledger, which_ledger
from station.cli.output import json_option, print_json
from station.cli.signing import signed_by, signing_option
from station.crimp.pull.reduce import FAILURE_MODES
from station.errors import BadInput
from station.ledger.entries import Correction
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.shop.rights import Right


@click.command(
    epilog="Example: station ledger correct 0190a1b2-3c4d-7e5f-8a9b-0c1d2e3f4a5b --void "
    "--reason 'wrong reel' --person Ottilie"
)
@click.argument("entry_id", metavar="ID")
@click.option("--reason", required=True, prompt="Why", help="Goes on record with it.")
@click.option("--void", is_flag=True, help="Void the sample: the test, not the crimp, was bad.")
@click.option(
    "--failure-mode", type=click.Choice(list(FAILURE_MODES)), help="How the sample really let go."
)
@signing_option
@which_ledger
@json_option
def correct(
    entry_id: str,
    reason: str,
    void: bool,
    failure_mode: str | None,
    person: str,
    path: Path | None,
    as_json: bool,
) -> int:
    """Add a lead's later word on the sample or entry ID; what was written stays as it is.

    With neither --void nor --failure-mode the reason is only noted. The reports and charts go by
    the corrected sample; the page shows both.
    """
    if not reason.strip():
        raise BadInput("Say why with --reason: a correction without a reason is worth nothing.")
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        demo = _demands(ledger.reader, entry_id, void)
        lead = signed_by(ledger, person, Right.CORRECT)
        said = Correction(
            corrects_id=entry_id,
            reason=reason.strip(),
            void_sample=void,
            failure_mode=failure_mode,
            demo=demo,
        )
        entry = ledger.append(said, person=lead.name)
    if as_json:
        print_json({"correction": entry.id, **said.model_dump(mode="json", exclude={"demo"})})
    else:
        click.echo(f"Correction {entry.id} of {entry_id} is on record, signed by {lead.name}.")
    return 0


def _demands(reader: LedgerReader, entry_id: str, void: bool) -> bool:
    """Refuse what can be refused before anybody signs; return whether the entry is invented."""
    entry = reader.entry(entry_id)
    if entry is None:
        raise BadInput(f"There is no entry {entry_id} on record: check its id.")
    sample = reader.sample(entry_id)
    if void and sample is not None and sample.verdict == "void":
        raise BadInput(f"Sample {entry_id} is void already: nothing was changed.")
    return entry.payload.demo


COMMANDS = (correct,)
