"""A sitting at the bench: who is there is asked once, and each button leads to the next sample."""

from flask import Blueprint, render_template, request, url_for
from werkzeug.wrappers import Response

from station.errors import BadInput
from station.jobs.certification.record import JOB as CERTIFICATION
from station.jobs.daily.judge import JOB as DAILY
from station.jobs.daily.record import order as order_of_check
from station.jobs.practice import JOB as PRACTICE
from station.jobs.sample_order import SampleOrder
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from web.access import demand_person, person_here
from web.forms import read_place
from web.request import bench, lead_to, on_record, reader
from web.views.bench import LATELY, confirm_seen, joint_at_hand, take_up

THEN = ("sitting.check", "sitting.go_on", "sitting.again")
"""What may be asked for before it is known who is there."""

pages = Blueprint("sitting", __name__, url_prefix="/next")


@pages.get("/who")
def who() -> str:
    """Ask who is there; the answer does what was asked for."""
    if (then := request.args.get("then", "")) not in THEN:
        raise BadInput("That page was left half open: begin again from Today.")
    last = reader().samples(limit=1)
    likely = person_here() or (last[0].person if last else "")
    names = sorted(on_record(), key=lambda name: name != likely)
    job_id = request.args.get("job_id", "-") if then == "sitting.go_on" else None
    action = url_for(then, job_id=job_id)
    return render_template(
        "who.html", action=action, names=names, places=request.args.getlist("place")
    )


@pages.post("/check")
def check() -> Response:
    """Begin a daily check of some nests, and take up its first sample."""
    person = demand_person()
    nests = [found for text in request.form.getlist("place") if (found := read_place(text))]
    return _take(bench().jobs.begin_check(nests, person=person), person)


@pages.post("/job/<job_id>")
def go_on(job_id: str) -> Response:
    """Take up the next sample of a check that is open."""
    return _take(job_id, demand_person())


@pages.post("/again")
def again() -> Response:
    """Take up one more sample of the joint that was made last."""
    person, row = demand_person(), last_joint(reader())
    if row is None:
        raise BadInput("No sample is on record yet: describe the first one at the bench.")
    due = (item.last for item in bench().jobs.due())
    under_check = next((one.open_job for one in due if (one.tool, one.nest) == _nest(row)), None)
    if under_check is not None:
        return _take(under_check, person)
    return take_up(SampleOrder(person, DAILY, row.joint))


def last_joint(reader: LedgerReader) -> SampleRow | None:
    """The latest sample whose joint may be made again; None where there is none.

    What tries a person says nothing of a nest, and must not go on as a check of it.
    """
    rows = reader.samples(limit=LATELY)
    return next((row for row in rows if row.job not in (CERTIFICATION, PRACTICE)), None)


def _take(job_id: str, person: str) -> Response:
    """Take up what a check wants next; where its gauge is not known, that is asked first."""
    step = bench().jobs.state(job_id).next
    joint = None if step is None else joint_at_hand(step.tool, step.nest, job_id)
    if joint is None:
        return lead_to("jobs.job_page", job_id=job_id)
    answer = take_up(order_of_check(reader(), job_id, joint, person=person))
    # A height is measured before the clips go on: where one is asked for, the bench waits for it.
    if "clipped" in request.form and not bench().sizes.limits():
        confirm_seen()
    return answer


def _nest(row: SampleRow) -> tuple[str, str]:
    return row.tool, row.nest
