"""How a certification stands, as a document and as lines that name the command of what is next."""

import shlex
from datetime import UTC, datetime

import click

from station.cli.output import print_json
from station.jobs.certification.acts import next_of
from station.jobs.certification.judge import OUTCOME_WORDS
from station.jobs.certification.record import Certification, figures_of, read_certification
from station.ledger.queries import LedgerReader

ON_THE_PAGE = "On the page: Jobs, Certifications."


def tell(reader: LedgerReader, job_id: str, *, as_json: bool) -> None:
    """Print how a certification stands."""
    job = read_certification(reader, job_id)
    if as_json:
        print_json(document(reader, job))
        return
    found = document(reader, job)
    word = OUTCOME_WORDS.get(str(found["outcome"]), "Given up")
    click.echo(f"{word.upper()}  certification of {job.scope.candidate}, {job.job_id}")
    for reason in found["reasons"]:  # type: ignore[attr-defined]
        click.echo(f"    {reason}")
    if found["record_hash"]:
        click.echo(f"    record {found['record_hash']}, valid until {found['valid_until']}")
        click.echo(f"->  Its paper: station job report {job.job_id} --out certificate.html")
    for step in next_of(reader, job, datetime.now(UTC)):
        click.echo(f"->  {step.words}")
        for command in commands_of(step.name, job):
            click.echo(f"    {command}")
        click.echo(f"    {ON_THE_PAGE}")


def commands_of(step: str, job: Certification) -> list[str]:
    """The commands that do a next step. While it is judged they name no job, only codes."""
    candidate = shlex.quote(job.scope.candidate)
    return {
        "key": [f"station certify key {job.job_id} --person NAME"],
        "judge": [
            "station certify codes",
            "station certify judge CODE --person LEAD",
            "station certify sample CODE --person NAME",
        ],
        "resit": [f"station certify resit {job.job_id} --person LEAD"],
        "sign": [f"station certify sign {job.job_id} --person LEAD"],
        "acknowledge": [f"station certify acknowledge {job.job_id} --person {candidate}"],
        "end": [f"station certify end {job.job_id} --person LEAD"],
    }[step]


def document(reader: LedgerReader, job: Certification) -> dict[str, object]:
    """A certification as one JSON document: no result of it while anything is to be judged."""
    ended = job.record.ended
    shown = ended is not None or job.shown
    outcome = ended.outcome if ended is not None else job.result.outcome
    steps = next_of(reader, job, datetime.now(UTC))
    return {
        "job_id": job.job_id,
        "candidate": job.scope.candidate,
        "tool": job.scope.tool,
        "outcome": outcome if shown else "not_finished",
        "reasons": list(ended.reasons if ended else job.result.reasons) if shown else [],
        "figures": (ended.figures if ended else figures_of(job)) if shown else None,
        "ended": ended is not None,
        "signatures": [] if ended is None else list(ended.signatures),
        "valid_until": None if ended is None or ended.valid_until is None
        else ended.valid_until.isoformat(),
        "record_hash": None if ended is None else ended.record_hash,
        "next": [
            {"step": step.name, "words": step.words, "commands": commands_of(step.name, job)}
            for step in steps
        ],
    }  # fmt: skip
