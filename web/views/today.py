"""Today: what is due, what was interrupted, what needs a look, how the day went."""

from collections import Counter

from babel.dates import format_date
from flask import Blueprint, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import BadInput
from station.jobs.certification.blind import order as order_for
from station.jobs.certification.blind import pool
from station.jobs.certification.certificates import held_certificates
from station.jobs.certification.statement import Held, latest_held
from station.ledger.rows import SampleRow
from web.access import demand_measuring, signed_in
from web.forms import field, order_again
from web.request import bench, nests, reader, start_of_today, station
from web.translation import chosen
from web.views.bench import take_up, without_the_one_in_hand

pages = Blueprint("today", __name__)


@pages.get("/")
def today() -> str:
    """What is due, interrupted and flagged, and today's verdicts."""
    start = start_of_today()
    ledger = reader()
    statuses = nests()
    counts = Counter[str]()
    for of_person in ledger.verdict_counts(since=start).values():
        counts.update(of_person)
    return render_template(
        "today.html",
        pressing=[one for one in statuses if one.state in ("held", "worn", "strays")],
        due=[item for item in bench().jobs.due() if item.due],
        nest_count=len(statuses),
        behind=station().trends.behind,
        unfinished=_interrupted(),
        counts=counts,
        reminders=_reminders(),
        date=f"{format_date(start, 'EEEE', locale=chosen())} {start:%Y-%m-%d}",
    )


@pages.post("/unfinished/<sample_id>/again")
def again(sample_id: str) -> Response:
    """Take an interrupted sample up again."""
    row = next((row for row in _interrupted() if row.sample_id == sample_id), None)
    begun = reader().entry(sample_id)
    if row is None or begun is None:
        raise BadInput(
            "Sample {sample_id} is not waiting to be finished: look at Today again.",
            sample_id=sample_id,
        )
    person = demand_measuring(field(request.form, "person", say("the person")))
    coded = _demand_blind(row, person)
    if coded:  # measured blind or not at all
        return take_up(order_for(reader(), row.step or "", person=person))
    return take_up(order_again(begun, person))


@pages.post("/unfinished/<sample_id>/void")
def void(sample_id: str) -> Response:
    """Void an interrupted sample."""
    person = demand_measuring(field(request.form, "person", say("the person")))
    for row in _interrupted():
        if row.sample_id == sample_id:
            _demand_blind(row, person)
    bench().void_unfinished(sample_id, person, field(request.form, "reason", say("the reason")))
    return redirect(url_for("today.today"), 303)


def _demand_blind(row: SampleRow, person: str) -> bool:
    """Whether a sample is coded; NotAllowed where it is, and who is here may not judge it."""
    coded = row.job == "certification" and row.step is not None
    signed = signed_in()
    for name in (person, *([signed.name] if signed else [])) if coded else ():
        pool(reader()).demand_blind(name)
    return coded


def _reminders() -> list[Held]:
    """Certificates that end soon or have ended, of people who are here."""
    today = start_of_today().date()
    here = {row.name for row in reader().people()}
    return [
        held
        for held in latest_held(held_certificates(reader())).values()
        if held.person in here and held.state(today) != "valid"
    ]


def _interrupted() -> list[SampleRow]:
    return without_the_one_in_hand(reader().unfinished())
