"""Commands that certify a person: certify begin, key, codes, judge, sample, sign, and the rest."""

from datetime import UTC, datetime
from pathlib import Path

import click

from station.blind_judging import CodedSample, judge, order_for, pool, show_key
from station.certificates import certificate_named
from station.certification_book import (
    acknowledge,
    begin_certification,
    begin_resit,
    end_certification,
    give_up,
    next_of,
    sign,
)
from station.certification_record import JOB, Certification, figures_of, read_certification
from station.cli.ledger_file import default_ledger, which_ledger
from station.cli.output import json_option, print_json
from station.cli.sampling import bench_at_hand, limit_sets_for, simulate_option
from station.cli.signing import signed_by, signing_option
from station.cli.validations import person_option, settings_option
from station.datafiles import shipped_book
from station.errors import BadInput
from station.jobs.certification import OUTCOME_WORDS
from station.jobs.certification_course import CertificationScope
from station.jobs.certification_plan import CertificationPlan
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.people import Right
from station.plan_files import load_plans, plan_named
from station.settings import read_settings


@click.group(epilog="Example: station certify status 0190")
def certify() -> None:
    """Certify a person: coded samples, judged blind, and a statement of what that shows."""


@certify.command(epilog="Example: station certify begin Dag --tool Heron --person Ottilie")
@click.argument("candidate")
@click.option("--tool", required=True, metavar="NAME")
@click.option(
    "--nest", "nests", multiple=True, metavar="BAND=NEST",
    help="Which nest serves a band, where it is not named after it.",
)  # fmt: skip
@click.option("--plan", "plan_id", metavar="ID", help="Default: the shipped plan.")
@click.option("--limit-set", metavar="ID", help="Default: the plan's, else the settings'.")
@signing_option
@settings_option
@simulate_option
@which_ledger
@json_option
def begin(
    candidate: str,
    tool: str,
    nests: tuple[str, ...],
    plan_id: str | None,
    limit_set: str | None,
    person: str,
    settings_path: Path | None,
    simulate: bool,
    path: Path | None,
    as_json: bool,
) -> int:
    """Begin a certification, as a lead who is not the candidate, and print its id."""
    settings = read_settings(settings_path)
    plan = plan_named(load_plans(settings.plans_folder), JOB, plan_id)
    if not isinstance(plan, CertificationPlan):
        raise BadInput(f"{plan.id} is no plan of a certification.")
    scope = CertificationScope(
        candidate,
        tool,
        {task.band: task.band for task in plan.tasks} | _pairs(nests),
        limit_set or plan.limit_set or settings.limit_set,
        settings.guard,
    )
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        signer = signed_by(ledger, person, Right.CERTIFY)
        limit_sets = limit_sets_for(settings, simulate=simulate)
        job_id = begin_certification(ledger, plan, scope, limit_sets, signer, now=datetime.now(UTC))
        _tell(ledger.reader, read_certification(ledger.reader, job_id), as_json)
    return 0


def _pairs(texts: tuple[str, ...]) -> dict[str, str]:
    pairs = {}
    for text in texts:
        band, _, nest = text.partition("=")
        if not (band and nest):
            raise BadInput(f"{text!r} is no pair: write BAND=NEST.")
        pairs[band] = nest
    return pairs


@certify.command(epilog="Example: station certify status 0190 --json")
@click.argument("job_id", metavar="ID")
@which_ledger
@json_option
def status(job_id: str, path: Path | None, as_json: bool) -> int:
    """Say how a certification stands and what comes next; nothing of it while it is judged."""
    with LedgerReader.open(path or default_ledger()) as reader:
        _tell(reader, read_certification(reader, job_id), as_json)
    return 0


@certify.command(epilog="Example: station certify key 0190 --person Carys")
@click.argument("job_id", metavar="ID")
@signing_option
@which_ledger
@json_option
def key(job_id: str, person: str, path: Path | None, as_json: bool) -> int:
    """Show which code is which task, to whoever labels the samples and will not judge."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        labeller = signed_by(ledger, person, Right.MEASURE)
        job = read_certification(ledger.reader, job_id)
        shown = show_key(ledger, job, labeller)
        titles = {task.id: task.title for task in job.plan.tasks}
    if as_json:
        print_json([{"code": code, **slot.as_content()} for code, slot in shown])
        return 0
    click.echo(f"{person} has seen this key and may not judge while the certification is open.")
    for code, slot in shown:
        click.echo(f"{code}  {titles[slot.task]}: {slot.part} {slot.position + 1}")
    return 0


@certify.command(epilog="Example: station certify codes --json")
@which_ledger
@json_option
def codes(path: Path | None, as_json: bool) -> int:
    """List the coded samples that wait to be judged or measured, of everybody together."""
    with LedgerReader.open(path or default_ledger()) as reader:
        waiting = pool(reader).samples
    if as_json:
        print_json([_coded(sample) for sample in waiting])
        return 0
    for sample in waiting:
        done = "looked at, to be measured" if sample.judged is not None else "to be looked at"
        click.echo(
            f"{sample.code}  {sample.joint.connector}, {' + '.join(sample.joint.wires)}: {done}"
        )
    click.echo(f"{len(waiting)} samples wait.")
    return 0


def _coded(sample: CodedSample) -> dict[str, object]:
    book = shipped_book()
    items = book.checklist(book.connectors[sample.joint.connector])
    return {
        "code": sample.code,
        "joint": sample.joint.model_dump(mode="json"),
        "judged": sample.judged is not None,
        "checklist": {item.id: item.question for item in items},
    }


@certify.command(
    "judge", epilog="Example: station certify judge K7XAT --fault strands-whole --person Ottilie"
)
@click.argument("code")
@click.option(
    "--fault", "faults", multiple=True, metavar="ITEM",
    help="A checklist item that is not good; all others are. May be repeated.",
)  # fmt: skip
@signing_option
@which_ledger
def judge_code(code: str, faults: tuple[str, ...], person: str, path: Path | None) -> int:
    """Answer the checklist of a coded sample, as a lead, before it is measured."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        signer = signed_by(ledger, person, Right.SIGN_OFF)
        sample = judge(ledger, code, faults, shipped_book(), signer)
    click.echo(f"{sample.code} is judged: measure it with 'station certify sample {sample.code}'.")
    return 0


@certify.command(epilog="Example: station certify sample K7XAT --person Ottilie")
@click.argument("codes", nargs=-1, required=True, metavar="CODE...")
@person_option
@settings_option
@simulate_option
@which_ledger
def sample(
    codes: tuple[str, ...],
    person: str,
    settings_path: Path | None,
    simulate: bool,
    path: Path | None,
) -> int:
    """Measure coded samples at the bench, after their checklists were answered."""
    settings = read_settings(settings_path)
    with (
        Ledger.open(path or default_ledger(), create=False) as ledger,
        bench_at_hand(ledger, settings, simulate=simulate, quiet=True) as take,
    ):
        for code in codes:
            finished = take(order_for(ledger.reader, code, person=person)).finished
            click.echo(f"{finished.step}: {'void' if finished.verdict == 'void' else 'measured'}")
    return 0


@certify.command(epilog="Example: station certify resit 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@signing_option
@which_ledger
def resit(job_id: str, person: str, path: Path | None) -> int:
    """Begin the one re-sit of the failed tasks, as a lead."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        signer = signed_by(ledger, person, Right.CERTIFY)
        begin_resit(
            ledger, read_certification(ledger.reader, job_id), signer, now=datetime.now(UTC)
        )
        _tell(ledger.reader, read_certification(ledger.reader, job_id), as_json=False)
    return 0


@certify.command("sign", epilog="Example: station certify sign 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@signing_option
@which_ledger
def sign_outcome(job_id: str, person: str, path: Path | None) -> int:
    """Sign the outcome, as a lead who is not the candidate."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        signer = signed_by(ledger, person, Right.CERTIFY)
        sign(ledger, read_certification(ledger.reader, job_id), signer)
        _tell(ledger.reader, read_certification(ledger.reader, job_id), as_json=False)
    return 0


@certify.command("acknowledge", epilog="Example: station certify acknowledge 0190 --person Dag")
@click.argument("job_id", metavar="ID")
@signing_option
@which_ledger
def acknowledge_outcome(job_id: str, person: str, path: Path | None) -> int:
    """Say, as the candidate, that one has seen the signed outcome."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        candidate = signed_by(ledger, person, Right.MEASURE)
        acknowledge(ledger, read_certification(ledger.reader, job_id), candidate)
        _tell(ledger.reader, read_certification(ledger.reader, job_id), as_json=False)
    return 0


@certify.command(epilog="Example: station certify end 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@click.option("--give-up", "reason", metavar="REASON", help="Undecided; counts as not passed.")
@signing_option
@which_ledger
@json_option
def end(job_id: str, reason: str | None, person: str, path: Path | None, as_json: bool) -> int:
    """End a signed certification, as a lead; exit 1 unless certified."""
    with Ledger.open(path or default_ledger(), create=False) as ledger:
        signer = signed_by(ledger, person, Right.CERTIFY)
        job = read_certification(ledger.reader, job_id)
        if reason is not None:
            ended = give_up(ledger, job, signer, reason)
        else:
            today = datetime.now().astimezone().date()
            ended = end_certification(ledger, job, person=signer.name, today=today)
        _tell(ledger.reader, read_certification(ledger.reader, job_id), as_json)
    return 0 if ended.outcome == "certified" else 1


@certify.command(epilog="Example: station certify lookup 4f1c9a52")
@click.argument("record_hash", metavar="HASH")
@which_ledger
@json_option
def lookup(record_hash: str, path: Path | None, as_json: bool) -> int:
    """Look a certificate up by the hash on its paper; exit 1 if it has expired."""
    with LedgerReader.open(path or default_ledger()) as reader:
        held = certificate_named(reader, record_hash)
    state = held.state(datetime.now().astimezone().date())
    if as_json:
        print_json(
            {"person": held.person, "title": held.title, "until": held.until.isoformat(),
             "state": state, "job_id": held.job_id, "record_hash": held.record_hash}
        )  # fmt: skip
    else:
        click.echo(f"{held.person}: {held.title}, until {held.until}, {state} (job {held.job_id}).")
    return 1 if state == "expired" else 0


def _tell(reader: LedgerReader, job: Certification, as_json: bool) -> None:
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
    for step in next_of(reader, job, datetime.now(UTC)):
        click.echo(f"->  {step.words}")


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
        "next": [{"step": step.name, "words": step.words} for step in steps],
    }  # fmt: skip


COMMANDS = (certify,)
