"""Certifications: begun, labelled, judged blind, signed, ended, and looked up."""

from collections.abc import Mapping

from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.crimp.connectors import CheckItem
from station.crimp.facts import shipped_causes
from station.errors import BadInput, DataFileError, NoLimit
from station.jobs.certification import acts, blind
from station.jobs.certification.blind import CodedSample, pool
from station.jobs.certification.certificates import (
    attempts_of,
    certificate_named,
    held_certificates,
)
from station.jobs.certification.codes import amounts_of
from station.jobs.certification.paper import attempts_plot, practice_lines, task_plot
from station.jobs.certification.plan import CertificationPlan
from station.jobs.certification.record import (
    JOB,
    Certification,
    CertificationScope,
    candidate_of,
)
from station.jobs.certification.record import read as read_certification
from station.jobs.certification.statement import latest_held, statement, strengths
from station.jobs.plans import chosen_plan, load_plans
from station.jobs.practice import SET, practice_sets
from station.jobs.step import OUTCOME_WORDS
from station.ledger.chain import Head
from station.ledger.entries import KeyShown
from station.ledger.jobs import jobs
from station.ledger.verify import head_fault
from station.shop.hints import hints_by_sample
from station.shop.rights import Right
from station.text import likeness
from web import access
from web.forms import choices, field
from web.labels import Label
from web.request import bench, lead_to, ledger, reader, station
from web.views.bench import take_up

pages = Blueprint("certifications", __name__, url_prefix="/certifications")


@pages.get("")
def certification_list() -> str:
    """Certificates with their reminders, certifications on record, and the form of a new one."""
    return _list({})


@pages.post("")
def begin() -> Response | tuple[str, int]:
    """Begin a certification, as a lead who is signed in and not the candidate."""
    lead = access.demand(Right.CERTIFY)
    form = request.form
    settings = bench().settings
    try:
        plan = chosen_plan(settings, CertificationPlan, form.get("plan") or None)
        scope = CertificationScope(
            field(form, "candidate", say("the candidate")),
            field(form, "tool", say("the tool")),
            {task.band: form.get(f"nest-{task.band}") or task.band for task in plan.tasks},
            form.get("limit_set") or plan.limit_set,
            settings.guard,
        )
        access.demand(Right.CERTIFY, about=scope.candidate)
        job_id = acts.begin(ledger(), plan, scope, bench().limit_sets, lead, now=station().clock())
    except (BadInput, NoLimit, DataFileError) as error:
        return _list(form, str(error)), 400
    return lead_to("certifications.certification_page", job_id=job_id)


def _list(values: Mapping[str, str], problem: str = "", **found: object) -> str:
    today = station().clock().astimezone().date()
    plans = [plan for plan in load_plans(bench().settings.plans_folder).values() if plan.job == JOB]
    held = latest_held(held_certificates(reader()))
    rows = jobs(reader(), job=JOB)
    return render_template(
        "certifications.html",
        rows=rows,
        candidates={row.job_id: candidate_of(reader(), row.job_id) for row in rows},
        held=[(one, one.state(today)) for one in held.values()],
        waiting=len(pool(reader()).samples),
        practised=practice_sets(reader(), shipped_causes()),
        practice_set=SET,
        tools=reader().tools(),
        plans=[(plan.id, plan.title) for plan in plans],
        sizes=[(plan, len(plan.tasks)) for plan in plans if isinstance(plan, CertificationPlan)],
        offers=choices(reader(), bench().limit_sets, bench().connectors),
        values=values,
        problem=problem,
        **found,
    )


@pages.get("/lookup")
def lookup() -> str:
    """A certificate by the hash on its paper, or whether the record has a paper's head."""
    if ":" in (noted := request.args.get("hash", "")):
        head = Head.read(noted)
        return _list({}, noted=head, unlike=head_fault(reader().path, head))
    held = certificate_named(reader(), noted)
    today = station().clock().astimezone().date()
    return _list({}, found=(held, held.state(today)))


@pages.get("/<job_id>")
def certification_page(job_id: str) -> str:
    """How a certification stands; nothing of what was found while it is judged."""
    job = read_certification(reader(), job_id)
    return render_template("certification.html", job=job, **_shown(job))


def _shown(job: Certification) -> dict[str, object]:
    ended = job.record.ended
    steps = acts.next_steps(reader(), job, station().clock())
    here = access.signed_in()
    own = here is not None and likeness(here.name) == likeness(job.scope.candidate)
    sitting = max((slot.sitting for slot in job.key.values()), default=1)
    amounts = amounts_of(job.key, sitting)
    found: dict[str, object] = {
        "to_make": [(task, amounts[task.id]) for task in job.plan.tasks if task.id in amounts],
        "saw_key": here is not None
        and here.name in {shown.to for shown in job.record.steps_of(KeyShown)},
        "is_candidate": own,
        # Nobody does it for themselves: the button would only be refused.
        "may_certify": access.may(Right.CERTIFY) and not own,
        "ended": ended,
        "steps": steps,
        "wanted": {step.name for step in steps},
        "word": say("Not finished"),
    }
    if not job.shown:
        return found
    word = job.result.outcome if ended is None else ended.outcome
    hints = hints_by_sample(reader(), job.rows, shipped_causes())
    attempts = attempts_of(reader(), job.scope.candidate)
    return found | {
        "word": OUTCOME_WORDS[word],
        "reasons": job.result.reasons if ended is None else ended.reasons,
        "statement": statement(job.plan, job.result),
        "strengths": strengths(job.result),
        "practice": practice_lines(job, hints),
        "plots": [task_plot(job), attempts_plot(job, attempts)],
    }


@pages.post("/<job_id>/key")
def key(job_id: str) -> str:
    """Show the key once, to whoever labels the samples; that it was shown is on record."""
    person = access.demand(Right.MEASURE)
    job = read_certification(reader(), job_id)
    shown = blind.show_key(ledger(), job, person)
    titles = {task.id: task.title for task in job.plan.tasks}
    return render_template(
        "key.html", job=job, shown=shown, titles=titles, person=person, label_of=Label
    )


@pages.post("/<job_id>/resit")
def resit(job_id: str) -> Response:
    """Begin the one re-sit, as a lead."""
    lead = access.demand(Right.CERTIFY)
    job = read_certification(reader(), job_id)
    access.demand(Right.CERTIFY, about=job.scope.candidate)
    acts.begin_resit(ledger(), job, lead, now=station().clock())
    return lead_to("certifications.certification_page", job_id=job_id)


@pages.post("/<job_id>/sign")
def sign_outcome(job_id: str) -> Response:
    """Sign the outcome, as a lead who is not the candidate."""
    lead = access.demand(Right.CERTIFY)
    job = read_certification(reader(), job_id)
    access.demand(Right.CERTIFY, about=job.scope.candidate)
    acts.sign(ledger(), job, lead)
    return lead_to("certifications.certification_page", job_id=job_id)


@pages.post("/<job_id>/acknowledge")
def acknowledge_outcome(job_id: str) -> Response:
    """The candidate, signed in, has seen the outcome."""
    acts.acknowledge(ledger(), read_certification(reader(), job_id), access.demand_sign_in())
    return lead_to("certifications.certification_page", job_id=job_id)


@pages.post("/<job_id>/end")
def end(job_id: str) -> Response:
    """End a signed certification, or give an open one up, as a lead."""
    lead = access.demand(Right.CERTIFY)
    job = read_certification(reader(), job_id)
    if request.form.get("give_up") == "yes":
        acts.give_up(ledger(), job, lead, field(request.form, "reason", say("the reason")))
    else:
        today = station().clock().astimezone().date()
        acts.end(ledger(), job, person=lead.name, today=today)
    return lead_to("certifications.certification_page", job_id=job_id)


# ---- judging: one pool for the whole bench, by code alone ---------------------------------------


@pages.get("/judging")
def judging() -> str | Response:
    """The coded samples that wait, of everybody together; a code that is typed leads to its own."""
    if code := request.args.get("code"):
        return lead_to("certifications.coded_sample", code=code)
    return render_template("judging.html", waiting=pool(reader()).samples)


@pages.get("/judging/<code>")
def coded_sample(code: str) -> str:
    """The checklist of one coded sample, or its measurement once it was looked at."""
    sample = pool(reader()).demand(code)
    return render_template("coded_sample.html", sample=sample, items=_items(sample))


@pages.post("/judging/<code>")
def judge_sample(code: str) -> Response:
    """Answer the checklist, as a lead who may judge."""
    lead = access.demand(Right.SIGN_OFF)
    sample = pool(reader()).demand(code)
    answers = {item.id: request.form.get(f"item-{item.id}") for item in _items(sample)}
    if not set(answers.values()) <= {"good", "fault"}:
        raise BadInput("Answer every line of the checklist: good, or not.")
    faults = [item for item, answer in answers.items() if answer == "fault"]
    blind.judge(ledger(), sample.code, faults, bench().connectors, lead)
    return lead_to("certifications.coded_sample", code=sample.code)


@pages.post("/judging/<code>/measure")
def measure(code: str) -> Response:
    """Begin the measurement of a coded sample at the bench."""
    person = access.demand_person()
    signed = access.signed_in()
    if signed is not None:
        # Whatever name is chosen: a candidate who is signed in measures none.
        blind.order(reader(), code, person=signed.name)
    order = blind.order(reader(), code, person=person)
    return take_up(order)


def _items(sample: CodedSample) -> list[CheckItem]:
    book = bench().connectors
    return book.checklist(book.connectors[sample.joint.connector])
