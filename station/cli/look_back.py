"""Command that looks back on a bad instrument or tool: calibrate look-back."""

from pathlib import Path

import click

from station.cli.calibration_records import ledger_option
from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, print_json
from station.ledger.queries import LedgerReader
from station.shop.checks import LookBack, look_back
from station.shop.look_back import Consequences


@click.command(
    "look-back", epilog="Example: station calibrate look-back --instrument 'MAKER,M1,7,1' --json"
)
@click.option("--instrument", metavar="NAME", help="The instrument that was found bad.")
@click.option("--tool", metavar="TOOL", help="Or the tool that was found bad.")
@click.option("--since-seq", type=click.IntRange(0), help="Look back to this entry instead.")
@ledger_option
@json_option
def look_back_command(
    instrument: str | None,
    tool: str | None,
    since_seq: int | None,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """List every sample since the last good check, and what rests on them."""
    with LedgerReader.open(ledger_path or default_ledger()) as reader:
        found = look_back(reader, instrument=instrument, tool=tool, since_seq=since_seq)
    if as_json:
        print_json(_look_back_document(found, instrument, tool))
        return 0
    click.echo(f"{len(found.samples)} samples {found.why}.")
    for row in found.samples:
        click.echo(
            f"{row.at_utc.astimezone():%Y-%m-%d %H:%M}  {(row.verdict or 'open'):<9}  "
            f"{row.job:<15}  {row.tool} {row.nest}  {row.person}  {row.sample_id}"
        )
    for line in resting_lines(found.rest):
        click.echo(line)
    return 0


def _look_back_document(
    found: LookBack, instrument: str | None, tool: str | None
) -> dict[str, object]:
    return {
        "instrument": instrument,
        "tool": tool,
        "since_seq": found.since_seq,
        "why": found.why,
        "samples": [
            {
                "sample": row.sample_id,
                "seq": row.finished_seq,
                "at": row.at_utc.isoformat(),
                "person": row.person,
                "job": row.job,
                "tool": row.tool,
                "nest": row.nest,
                "verdict": row.verdict,
            }
            for row in found.samples
        ],
        "outcomes": [
            {
                "job": outcome.job_id,
                "kind": outcome.job,
                "outcome": outcome.outcome,
                "ended_on": outcome.ended_on.isoformat(),
                "person": outcome.person,
                "samples": outcome.samples,
                "valid_until": outcome.valid_until and outcome.valid_until.isoformat(),
                "record_hash": outcome.record_hash,
            }
            for outcome in found.rest.outcomes
        ],
        "baselines": list(found.rest.baselines),
        "work": [
            {
                "day": row.day.isoformat(),
                "work_order": row.work_order,
                "tool": row.tool,
                "nest": row.nest,
                "note": row.note,
            }
            for row in found.rest.work
        ],
        "studies": list(found.rest.studies),
    }


def resting_lines(rest: Consequences) -> list[str]:
    """What rests on doubtful samples, one line each."""
    outcomes = [
        f"{'certificate' if item.is_certificate else 'outcome'}  {item.ended_on}  "
        f"{item.job}: {item.outcome}, with {item.samples} of these samples  "
        f"{item.record_hash or item.job_id}"
        for item in rest.outcomes
    ]
    return [
        *outcomes,
        *(f"baseline  {joint}" for joint in rest.baselines),
        *(f"work  {row.day}  {row.work_order}  {row.tool} {row.nest}" for row in rest.work),
        *(f"gauge study  {title}" for title in rest.studies),
    ]


COMMANDS = (look_back_command,)
