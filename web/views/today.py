"""Today: what is due, what was interrupted, what needs a look, how the day went."""

from collections import Counter
from typing import NamedTuple

from babel.dates import format_date
from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import BadInput
from station.jobs.certification.blind import order as order_for
from station.jobs.certification.blind import pool
from station.jobs.certification.certificates import held_certificates
from station.jobs.certification.statement import Held, latest_held
from station.jobs.daily.judge import JOB as DAILY
from station.jobs.daily.steps import DueNest
from station.ledger.jobs import jobs
from station.ledger.rows import SampleRow
from web.access import demand_person, signed_in
from web.format import place
from web.forms import field, order_again
from web.nests import PRESSING, NestStatus
from web.request import bench, lead_to, nests, reader, start_of_today, station
from web.translation import chosen
from web.views.bench import take_up, without_the_one_in_hand
from web.views.sitting import last_joint

RECENT_JOBS = 20

pages = Blueprint("today", __name__)


class Line(NamedTuple):
    """A nest on Today's list."""

    due: DueNest
    status: NestStatus | None
    """None while its trend is still being worked out."""

    @property
    def pressing(self) -> bool:
        """Whether it is to be taken out of use."""
        return self.status is not None and self.status.state in PRESSING

    @property
    def done(self) -> bool:
        """Whether nothing is to be done with it today."""
        return not (self.due.due or self.pressing or self.due.last.held)

    @property
    def reason(self) -> str:
        """What it is on the list for."""
        return self.status.reason if self.pressing and self.status else self.due.reason


@pages.get("/")
def today() -> str:
    """What to do, worst first, what was interrupted, and today's verdicts."""
    start = start_of_today()
    ledger = reader()
    states = {status.key: status for status in nests()}
    order = {key: rank for rank, key in enumerate(states)}
    lines = [Line(one, states.get((one.last.tool, one.last.nest))) for one in bench().jobs.due()]
    lines.sort(key=lambda one: order.get((one.due.last.tool, one.due.last.nest), len(order)))
    counts = Counter[str]()
    for of_person in ledger.verdict_counts(since=start).values():
        counts.update(of_person)
    last = last_joint(ledger)
    held = [(one.due.last.tool, one.due.last.nest) for one in lines if one.due.last.held]
    return render_template(
        "today.html",
        todo=[one for one in lines if not one.done],
        done=[one for one in lines if one.done],
        checked=sum(not one.due.due and not one.due.last.held for one in lines),
        free=[
            place(one.due.last.tool, one.due.last.nest)
            for one in lines
            if one.due.due and one.due.last.open_job is None
        ],
        last=None if last is None or (last.tool, last.nest) in held else last,
        behind=station().trends.behind,
        # Open daily checks stand at their nests.
        open_jobs=[row for row in jobs(ledger, only_open=True) if row.job != DAILY],
        ended=[row for row in jobs(ledger, limit=RECENT_JOBS) if row.ended_seq is not None],
        entry=ledger.entry,
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
    person = demand_person()
    coded = _demand_blind(row, person)
    if coded:  # measured blind or not at all
        return take_up(order_for(reader(), row.step or "", person=person))
    return take_up(order_again(begun, person))


@pages.post("/unfinished/<sample_id>/void")
def void(sample_id: str) -> Response:
    """Void an interrupted sample."""
    person = demand_person()
    for row in _interrupted():
        if row.sample_id == sample_id:
            _demand_blind(row, person)
    bench().void_unfinished(sample_id, person, field(request.form, "reason", say("the reason")))
    return lead_to("today.today")


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
