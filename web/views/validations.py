"""Tool validations: begin one, follow it, end it, and take its paper along."""

from collections.abc import Mapping

from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import BadInput, DataFileError, NoLimit
from station.jobs.plans import chosen_plan, load_plans
from station.jobs.step import OUTCOME_WORDS
from station.jobs.validation import record as validation
from station.jobs.validation.judge import WHAT, JointResult, joint_words
from station.jobs.validation.paper import compared, finding_plot
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.record import JOB, Validation
from station.jobs.validation.steps import ValidationScope
from station.ledger.entries import Joint
from station.ledger.jobs import jobs
from station.shop.rights import Right
from web import access
from web.forms import as_number, choices, connector_and_wires, field
from web.request import bench, lead_to, ledger, reader, station
from web.translation import said_or_typed
from web.views.bench import take_up

MOST_JOINTS = 4
HEIGHTS = 3

pages = Blueprint("validations", __name__, url_prefix="/validations")


@pages.get("")
def validation_list() -> str:
    """Validations on record, and the form that begins one."""
    return _list({})


@pages.post("")
def begin() -> Response | tuple[str, int]:
    """Begin a validation; the form comes back with what is wrong."""
    form = request.form
    try:
        person = access.demand_person()
        settings = bench().settings
        plan = chosen_plan(settings, ToolValidationPlan, form.get("plan") or None)
        tool = field(form, "tool", say("the tool"))
        scope = ValidationScope(
            tool,
            joints_from(form, tool),
            form.get("limit_set") or plan.limit_set,
            settings.guard,
            form.get("replaces") or None,
        )
        job_id = validation.begin(ledger(), plan, scope, bench().limit_sets, person=person)
    except (BadInput, NoLimit, DataFileError) as error:
        return _list(form, str(error)), 400
    return lead_to("validations.validation_page", job_id=job_id)


def joints_from(form: Mapping[str, str], tool: str) -> tuple[Joint, ...]:
    """The joints of a form's lines; lines without a connector are empty.

    Raises
    ------
    BadInput, UnknownSize, DataFileError
        A line is half filled in, or names something that does not exist.
    """
    found, book = [], bench().connectors
    for line in range(1, MOST_JOINTS + 1):
        if not form.get(f"connector{line}"):
            continue
        field(form, f"wire{line}", f"the wire of line {line}")
        row = {name: form.get(f"{name}{line}", "") for name in ("connector", "wire", "wire2")}
        connector, wires = connector_and_wires(row, book)
        nest = field(form, f"nest{line}", f"the nest of line {line}")
        found.append(Joint(connector=connector.id, wires=wires, tool=tool, nest=nest))
    if not found:
        raise BadInput("Fill in at least one line: connector, wire and nest.")
    return tuple(found)


def _list(values: Mapping[str, str], problem: str = "") -> str:
    plans = load_plans(bench().settings.plans_folder)
    return render_template(
        "validations.html",
        rows=jobs(reader(), job=JOB),
        entry=reader().entry,
        offers=choices(reader(), bench().limit_sets, bench().connectors),
        tools=reader().tools(),
        nests=list(dict.fromkeys(nest for row in reader().tools() for nest in row.nests)),
        plans=[(plan.id, plan.title) for plan in plans.values() if plan.job == JOB],
        lines=range(2, MOST_JOINTS + 1),
        shipped=chosen_plan(bench().settings, ToolValidationPlan, None),
        values=values,
        problem=problem,
    )


@pages.get("/<job_id>")
def validation_page(job_id: str) -> str:
    """How a validation stands, and what comes next."""
    return _page(validation.read(reader(), job_id))


def _page(job: Validation, problem: str = "") -> str:
    steps = validation.next_steps(reader(), job, station().clock())
    ended = job.record.ended
    return render_template(
        "validation.html",
        job=job,
        ended=ended,
        word=OUTCOME_WORDS[job.result.outcome if ended is None else ended.outcome],
        steps=steps,
        wanted={step.name for step in steps},
        joints=[(result, _plots(job, result)) for result in job.result.joints],
        compared={
            result.joint.key: compared(validation.replaced_by(reader(), job, result))
            for result in job.result.joints
        },
        joint_words=joint_words,
        what=WHAT,
        heights=range(1, max(HEIGHTS, job.plan.crimp_heights) + 1),
        problem=problem,
    )


def _plots(job: Validation, result: JointResult) -> list[str]:
    counted = [sample for sample in job.samples if sample.sample_id in result.counted]
    return [finding_plot(one, counted, said_or_typed) for one in result.findings]


@pages.post("/<job_id>/nest-gauge")
def nest_gauge(job_id: str) -> Response:
    """Enter a look at a nest with its gauge, or that there is none."""
    form = request.form
    person = access.demand_person()
    validation.enter_nest_gauge(
        ledger(),
        validation.read(reader(), job_id),
        field(form, "nest", say("the nest")),
        form.get("gauge", "").strip(),
        go_enters=form.get("go") == "yes",
        no_go_stops=form.get("no_go") == "yes",
        person=person,
    )
    return lead_to("validations.validation_page", job_id=job_id)


@pages.post("/<job_id>/crimp-height")
def crimp_height(job_id: str) -> Response:
    """Enter crimp heights, or that they are not measured."""
    form = request.form
    person = access.demand_person()
    job = validation.read(reader(), job_id)
    names = [f"height{place}" for place in range(1, max(HEIGHTS, job.plan.crimp_heights) + 1)]
    given = [as_number(form[name], name) for name in names if form.get(name)]
    lower, upper = (
        as_number(form.get(name, ""), f"the {name} limit") if given else 0.0
        for name in ("lower", "upper")
    )
    key = field(form, "joint", say("the joint"))
    validation.enter_crimp_heights(ledger(), job, key, given, lower, upper, person=person)
    return lead_to("validations.validation_page", job_id=job_id)


@pages.post("/<job_id>/sample")
def sample(job_id: str) -> Response:
    """Begin the next sample of a joint at the bench."""
    person = access.demand_person()
    job = validation.read(reader(), job_id)
    joint = request.form.get("joint") or None
    now = station().clock()
    return take_up(validation.order(ledger(), job, joint, person=person, now=now))


@pages.post("/<job_id>/end")
def end(job_id: str) -> Response:
    """End a validation, as a lead who is signed in."""
    lead = access.demand(Right.SIGN_OFF)
    give_up = request.form.get("give_up") == "yes"
    validation.end(ledger(), validation.read(reader(), job_id), lead, give_up=give_up)
    return lead_to("validations.validation_page", job_id=job_id)
