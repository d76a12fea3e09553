"""How a validation stands, as a document and as lines that name the command of what is next."""

import shlex
from datetime import UTC, datetime

import click

from station.cli.output import print_json
from station.jobs.sample import plain
from station.jobs.step import NextStep
from station.jobs.validation.judge import OUTCOME_WORDS, JointResult, joint_words
from station.jobs.validation.record import (
    Validation,
    figures_of,
    next_of,
    read_validation,
)
from station.jobs.validation.steps import CRIMP_HEIGHT, NEST_GAUGE
from station.ledger.queries import LedgerReader

ON_THE_PAGE = "    On the page: Jobs, Validate a tool."


def tell(reader: LedgerReader, job_id: str, *, as_json: bool) -> None:
    """Print how a validation stands."""
    job = read_validation(reader, job_id)
    if as_json:
        print_json(document(reader, job))
        return
    ended = job.record.ended
    word = job.result.outcome if ended is None else ended.outcome
    click.echo(f"{OUTCOME_WORDS[word].upper()}  validation of {job.scope.tool}, {job.job_id}")
    for number, result in enumerate(job.result.joints, 1):
        click.echo(f"{number}  {joint_words(result.joint)}: {joint_line(result)}")
        for sentence in (*result.reasons, *result.remarks):
            click.echo(f"   {sentence}")
    for step in next_of(reader, job, datetime.now(UTC)):
        click.echo(f"->  {step.words}")
        click.echo(f"    {command_of(step, job)}")
    if ended is None:
        click.echo(ON_THE_PAGE)
    else:
        click.echo(f"->  Its paper: station job report {job.job_id} --out validation.html")


def command_of(step: NextStep, job: Validation) -> str:
    """The command that does a next step; what stands in capitals is filled in."""
    of_joint = {joint.key: number for number, joint in enumerate(job.scope.joints, 1)}
    number = of_joint.get(step.about)
    return {
        "check": "station calibrate check KIND --help",
        NEST_GAUGE: f"station validate nest-gauge {job.job_id} {shlex.quote(step.about)} "
        "--gauge GAUGE --go --no-go --person NAME",
        CRIMP_HEIGHT: f"station validate crimp-height {job.job_id} --joint {number} "
        f"{'--height MM ' * job.plan.crimp_heights}--lower LOW --upper HIGH --person NAME",
        "sample": f"station validate sample {job.job_id} --joint {number} --person NAME",
        "end": f"station validate end {job.job_id} --person LEAD",
    }[step.name]


def joint_line(result: JointResult) -> str:
    """How one joint stands, in a line."""
    words = f"{result.state.replace('_', ' ')}, {len(result.counted)} of {result.planned} samples"
    if result.chance is None or result.state != "not_finished":
        return words
    return f"{words}, chance of passing {result.chance:.0%}"


def document(reader: LedgerReader, job: Validation) -> dict[str, object]:
    """A validation as one JSON document; SI units."""
    ended = job.record.ended
    return plain(
        {
            "job_id": job.job_id,
            "tool": job.scope.tool,
            "outcome": job.result.outcome if ended is None else ended.outcome,
            "ended": ended is not None,
            "reasons": job.result.reasons if ended is None else ended.reasons,
            "signatures": [] if ended is None else ended.signatures,
            "record_hash": None if ended is None else ended.record_hash,
            "next": [
                {
                    "step": step.name,
                    "about": step.about,
                    "words": step.words,
                    "command": command_of(step, job),
                }
                for step in next_of(reader, job, datetime.now(UTC))
            ],
            **(figures_of(reader, job) if ended is None else ended.figures),
        }
    )
