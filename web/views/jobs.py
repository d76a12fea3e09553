"""A job followed step by step; nests held, serviced and released; work logged."""

import json

from flask import Blueprint, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from calibration.saying import say
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.jobs.daily.judge import JOB as DAILY
from station.jobs.daily.record import limit_set_of
from station.jobs.daily.record import order as order_of_check
from station.jobs.papers.frame import Paper
from station.jobs.papers.of_job import counted_samples, paper_of
from station.jobs.record import unfinished_samples
from station.jobs.step import Step
from station.ledger.entries import NEST_OUTCOME, Joint, ToolLookedAt
from station.ledger.jobs import job_record
from station.ledger.reader import LedgerReader
from station.shop.nests import TOOL_LOOKS, NestKey
from station.shop.rights import Right
from web.access import demand, demand_person
from web.forms import (
    MAX_TEXT,
    Choice,
    choices,
    connector_and_wires,
    day,
    field,
    tool_and_nest,
)
from web.request import bench, lead_to, reader
from web.views.bench import in_hand, take_up, without_the_one_in_hand

OWN_PAGES = {
    "tool_validation": "validations.validation_page",
    "certification": "certifications.certification_page",
}
"""Jobs that are followed on a page of their own: the endpoint, which takes ``job_id``."""

pages = Blueprint("jobs", __name__, url_prefix="/jobs")


@pages.get("")
def job_list() -> Response:
    """Where the list of jobs was: what is to be done stands on Today."""
    return redirect(url_for("today.today"), 301)


@pages.get("/<job_id>")
def job_page(job_id: str) -> str | Response:
    """One job: what is next, how it stands, what it came to."""
    record = job_record(reader(), job_id)
    own = OWN_PAGES.get(record.row.job)
    if own is not None:
        return redirect(url_for(own, job_id=record.row.job_id))
    state = bench().jobs.state(record.row.job_id)
    return render_template(
        "job.html",
        record=record,
        in_hand=in_hand(),
        # Who made the last sample, or began the job, most likely goes on.
        likely=record.samples[-1].person if record.samples else record.row.person,
        state=state,
        todo=state.next,
        findings=record.steps_named(NEST_OUTCOME),
        samples=counted_samples(reader(), record),
        joints=[] if state.next is None else joints_at_hand(reader(), state.next),
        unfinished=without_the_one_in_hand(unfinished_samples(reader(), record.row.job_id)),
        offers=choices(reader(), bench().limit_sets, bench().connectors),
        limit_set=limit_set_of(record),
    )


@pages.post("/<job_id>/sample")
def take_sample(job_id: str) -> Response:
    """Make the sample that is next, at the bench."""
    person = demand_person()
    record = job_record(reader(), job_id)
    if record.row.job != DAILY:
        raise BadInput("The samples of this job are made from its own page: open it there.")
    joint = _joint_from_form()
    return take_up(order_of_check(reader(), job_id, joint, person=person))


@pages.get("/<job_id>/paper.html")
def report(job_id: str) -> Response:
    """The paper of a job: a file of its own, since it brings its own style."""
    record = job_record(reader(), job_id)
    size: Paper = "letter" if request.args.get("size") == "letter" else "a4"
    answer = Response(paper_of(reader(), record.row.job_id, size), mimetype="text/html")
    name = f"{record.row.job.replace('_', '-')}-{record.row.job_id}.html"
    answer.headers["Content-Disposition"] = f"attachment; filename={name}"
    return answer


@pages.post("/<job_id>/end")
def end_job(job_id: str) -> Response:
    """End a job with what it has come to."""
    person = demand_person()
    ended = job_record(reader(), job_id).row.job_id
    bench().jobs.end(ended, person=person)
    return lead_to("jobs.job_page", job_id=ended)


@pages.post("/nests/hold")
def hold_nest() -> Response:
    """Hold a nest; anyone on record may."""
    person, nest = demand_person(), _nest()
    bench().jobs.nests.hold(*nest, field(request.form, "reason", say("the reason")), person)
    return _to_nest(nest)


@pages.post("/nests/look")
def look_at_tool() -> Response:
    """Enter a look at the tool itself: all is so, or what was ticked is not."""
    form = request.form
    person = demand_person()
    tool, nest = _nest()
    bad = set(form.getlist("bad")) & set(TOOL_LOOKS)
    if bool(bad) == ("good" in form):
        raise BadInput("Tick what is not as it should be, or say that all of it is.")
    seen: dict[str, bool | None] = {name: name not in bad for name in TOOL_LOOKS}
    if "no_gauge" in form and seen["gauge"]:
        seen["gauge"] = None
    looked = ToolLookedAt.model_validate({"tool": tool, "nest": nest, **seen})
    bench().jobs.nests.look(looked, person)
    return _to_nest((tool, nest))


@pages.post("/nests/service")
def service_nest() -> Response:
    """Enter a service: a lead's."""
    lead, nest = demand(Right.RELEASE), _nest()
    action = field(request.form, "action", say("what was done"))
    bench().jobs.nests.service(*nest, action, lead.name)
    return _to_nest(nest)


@pages.post("/nests/release")
def release_nest() -> Response:
    """Release a held nest: a lead's, after service and a new baseline."""
    lead, nest = demand(Right.RELEASE), _nest()
    bench().jobs.nests.release(*nest, field(request.form, "reason", say("the reason")), lead.name)
    return _to_nest(nest)


@pages.post("/log/work")
def add_work() -> Response:
    """Note work that leaves the shop."""
    person, nest = demand_person(), _nest()
    work_order = field(request.form, "work_order", say("the work order"))
    note = " ".join(request.form.get("note", "").split())[:MAX_TEXT]
    on = day(request.form, "day", say("the day")) if request.form.get("day") else None
    bench().jobs.nests.log_work(*nest, work_order, person, day=on, note=note)
    return _to_nest(nest)


def _nest() -> NestKey:
    return tool_and_nest(request.form)


def _to_nest(nest: NestKey) -> Response:
    return lead_to("tools.nest_page", tool=nest[0], nest=nest[1])


def joints_at_hand(ledger: LedgerReader, step: Step) -> list[Choice]:
    """The joints of a nest: those with a baseline, then others that it made lately."""
    known = {
        (joint.connector, joint.wires, joint.material): ""
        for joint in (item.joint for item in ledger.baselines().values())
        if (joint.tool, joint.nest) == (step.tool, step.nest)
    }
    for row in ledger.nest_samples(step.tool or "", step.nest or "", limit=50):
        known.setdefault((row.connector, row.wires, row.material), ", no baseline")
    return [
        (
            json.dumps([connector, wires, material]),
            f"{' + '.join(wires)} {material}, {connector}{doubt}",
        )
        for (connector, wires, material), doubt in known.items()
    ]


def _joint_from_form() -> Joint:
    """The joint that was chosen: another one if its wire is filled in, else from the list."""
    form = request.form
    tool, nest = tool_and_nest(form)
    if form.get("wire"):
        named, made_of = connector_and_wires(form, bench().connectors)
        return Joint(connector=named.id, wires=made_of, tool=tool, nest=nest)
    try:
        chosen = json.loads(field(form, "joint", say("the gauge at hand")))
    except ValueError:
        chosen = None
    match chosen:
        case [str(connector), [*given], str(material)] if given:
            wires = tuple(parse_size(str(wire)).label for wire in given)
            return Joint(connector=connector, wires=wires, material=material, tool=tool, nest=nest)
    raise BadInput("The gauge at hand could not be read: choose it from the list.")
