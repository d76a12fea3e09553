"""Commands that certify a person: certify begin, key, codes, judge, sample, sign, and the rest."""

from datetime import UTC, datetime
from pathlib import Path

import click

from station.cli.bench import SAFETY
from station.cli.certification_words import tell
from station.cli.job_options import (
    REAL,
    begin_options,
    person_option,
    simulate_option,
)
from station.cli.opening import (
    ledger_options,
    limit_sets_at_hand,
    opened_bench,
    opened_book,
    read_book,
)
from station.cli.output import json_option, print_json
from station.cli.signing import signed_by, signing_option
from station.cli.validations import say_aside
from station.crimp.facts import shipped_book
from station.errors import BadInput
from station.jobs.certification.acts import (
    acknowledge,
    begin_certification,
    begin_resit,
    end_certification,
    give_up,
    sign,
)
from station.jobs.certification.blind import (
    CodedSample,
    judge,
    order_for,
    pool,
    show_key,
    unfinished_of,
)
from station.jobs.certification.certificates import certificate_named
from station.jobs.certification.plan import CertificationPlan
from station.jobs.certification.record import JOB, read_certification
from station.jobs.certification.steps import CertificationScope
from station.jobs.plans import plan_named
from station.shop.rights import Right


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
@begin_options
@signing_option
@ledger_options
@json_option
def begin(
    candidate: str,
    tool: str,
    nests: tuple[str, ...],
    plan_id: str | None,
    limit_set: str | None,
    simulate: bool,
    person: str,
    ledger_path: Path | None,
    settings_path: Path | None,
    as_json: bool,
) -> int:
    """Begin a certification, as a lead who is not the candidate, and print its id."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        plan = plan_named(opened.book.plans(), JOB, plan_id)
        if not isinstance(plan, CertificationPlan):
            raise BadInput(f"{plan.id} is no plan of a certification.")
        scope = CertificationScope(
            candidate,
            tool,
            {task.band: task.band for task in plan.tasks} | _pairs(nests),
            limit_set or plan.limit_set or opened.settings.limit_set,
            opened.settings.guard,
        )
        signer = signed_by(ledger, person, Right.CERTIFY, about=candidate)
        sets = limit_sets_at_hand(ledger, opened.settings, simulate=simulate)
        job_id = begin_certification(ledger, plan, scope, sets, signer, now=datetime.now(UTC))
        tell(ledger.reader, job_id, as_json=as_json)
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
@ledger_options
@json_option
def status(job_id: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool) -> int:
    """Say how a certification stands and what comes next; nothing of it while it is judged."""
    with read_book(ledger_path, settings_path) as book:
        tell(book.reader, job_id, as_json=as_json)
    return 0


@certify.command(epilog="Example: station certify key 0190 --person Carys")
@click.argument("job_id", metavar="ID")
@signing_option
@ledger_options
@json_option
def key(
    job_id: str, person: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> int:
    """Show which code is which task, to whoever labels the samples and will not judge."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
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
@ledger_options
@json_option
def codes(ledger_path: Path | None, settings_path: Path | None, as_json: bool) -> int:
    """List the coded samples that wait to be judged or measured, of everybody together."""
    with read_book(ledger_path, settings_path) as book:
        waiting = pool(book.reader).samples
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
@ledger_options
def judge_code(
    code: str, faults: tuple[str, ...], person: str, ledger_path: Path | None,
    settings_path: Path | None,
) -> int:  # fmt: skip
    """Answer the checklist of a coded sample, as a lead, before it is measured."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        signer = signed_by(ledger, person, Right.SIGN_OFF)
        sample = judge(ledger, code, faults, shipped_book(), signer)
    click.echo(f"{sample.code} is judged: measure it with 'station certify sample {sample.code}'.")
    return 0


@certify.command(epilog="Example: station certify sample K7XAT --person Ottilie")
@click.argument("codes", nargs=-1, required=True, metavar="CODE...")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@person_option
@simulate_option
@ledger_options
def sample(
    codes: tuple[str, ...],
    seed: int,
    person: str,
    simulate: bool,
    ledger_path: Path | None,
    settings_path: Path | None,
) -> int:
    """Measure coded samples at the bench, after their checklists were answered."""
    with opened_book(ledger_path, settings_path) as opened:
        for code in codes:  # refused before the instruments are opened
            order_for(opened.ledger.reader, code, person=person)
        click.echo(SAFETY if simulate else REAL, err=True)
        with opened_bench(opened, simulate=simulate, seed=seed, say=say_aside) as at_hand:
            for code in codes:
                order = order_for(opened.ledger.reader, code, person=person)
                outcome = at_hand.bench.take_sample(order, at_hand.operator(order.joint))
                void = outcome.finished.verdict == "void"
                click.echo(f"{code}: {'void' if void else 'measured'}")
    return 0


@certify.command(
    "void", epilog='Example: station certify void K7XAT --reason "power was cut" --person Ottilie'
)
@click.argument("code")
@click.option("--reason", required=True, help="Why it was never finished.")
@person_option
@ledger_options
def void_code(
    code: str, reason: str, person: str, ledger_path: Path | None, settings_path: Path | None
) -> int:
    """Void the unfinished measurement of a coded sample, where its pull began and was lost."""
    if not reason.strip():
        raise BadInput("Say why it was never finished, with --reason.")
    with opened_book(ledger_path, settings_path) as opened:
        row = unfinished_of(opened.ledger.reader, code, person=person)
        with opened_bench(opened, simulate=False, seed=1, say=say_aside) as at_hand:
            at_hand.bench.void_unfinished(row.sample_id, person, reason)
    click.echo(f"{row.step}: void. A spare of its task is judged instead, while there is one.")
    return 0


@certify.command(epilog="Example: station certify resit 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@signing_option
@ledger_options
def resit(job_id: str, person: str, ledger_path: Path | None, settings_path: Path | None) -> int:
    """Begin the one re-sit of the failed tasks, as a lead."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        job = read_certification(ledger.reader, job_id)
        signer = signed_by(ledger, person, Right.CERTIFY, about=job.scope.candidate)
        begin_resit(ledger, job, signer, now=datetime.now(UTC))
        tell(ledger.reader, job_id, as_json=False)
    return 0


@certify.command("sign", epilog="Example: station certify sign 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@signing_option
@ledger_options
def sign_outcome(
    job_id: str, person: str, ledger_path: Path | None, settings_path: Path | None
) -> int:
    """Sign the outcome, as a lead who is not the candidate."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        job = read_certification(ledger.reader, job_id)
        signer = signed_by(ledger, person, Right.CERTIFY, about=job.scope.candidate)
        sign(ledger, job, signer)
        tell(ledger.reader, job_id, as_json=False)
    return 0


@certify.command("acknowledge", epilog="Example: station certify acknowledge 0190 --person Dag")
@click.argument("job_id", metavar="ID")
@signing_option
@ledger_options
def acknowledge_outcome(
    job_id: str, person: str, ledger_path: Path | None, settings_path: Path | None
) -> int:
    """Say, as the candidate, that one has seen the signed outcome."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        candidate = signed_by(ledger, person, Right.MEASURE)
        acknowledge(ledger, read_certification(ledger.reader, job_id), candidate)
        tell(ledger.reader, job_id, as_json=False)
    return 0


@certify.command(epilog="Example: station certify end 0190 --person Ottilie")
@click.argument("job_id", metavar="ID")
@click.option("--give-up", "reason", metavar="REASON", help="Undecided; counts as not passed.")
@signing_option
@ledger_options
@json_option
def end(
    job_id: str, reason: str | None, person: str, ledger_path: Path | None,
    settings_path: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """End a signed certification, as a lead; exit 1 unless certified."""
    with opened_book(ledger_path, settings_path) as opened:
        ledger = opened.ledger
        signer = signed_by(ledger, person, Right.CERTIFY)
        job = read_certification(ledger.reader, job_id)
        if reason is not None:
            ended = give_up(ledger, job, signer, reason)
        else:
            today = datetime.now().astimezone().date()
            ended = end_certification(ledger, job, person=signer.name, today=today)
        tell(ledger.reader, job_id, as_json=as_json)
    return 0 if ended.outcome == "certified" else 1


@certify.command(epilog="Example: station certify lookup 4f1c9a52")
@click.argument("record_hash", metavar="HASH")
@ledger_options
@json_option
def lookup(
    record_hash: str, ledger_path: Path | None, settings_path: Path | None, as_json: bool
) -> int:
    """Look a certificate up by the hash on its paper; exit 1 if it has expired."""
    with read_book(ledger_path, settings_path) as book:
        held = certificate_named(book.reader, record_hash)
    state = held.state(datetime.now().astimezone().date())
    if as_json:
        print_json(
            {"person": held.person, "title": held.title, "until": held.until.isoformat(),
             "state": state, "job_id": held.job_id, "record_hash": held.record_hash}
        )  # fmt: skip
    else:
        click.echo(f"{held.person}: {held.title}, until {held.until}, {state} (job {held.job_id}).")
    return 1 if state == "expired" else 0


COMMANDS = (certify,)
