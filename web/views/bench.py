"""The bench: describe a sample, follow it live, say what the hands and eyes know."""

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict

from flask import Blueprint, jsonify, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.bench.board import BenchState, Stage
from station.crimp.facts import drawing
from station.crimp.wire import parse_size
from station.errors import BadInput, DataFileError, NestOnHold, NoLimit
from station.jobs.daily.judge import JOB as DAILY
from station.jobs.daily.record import found_of
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import Joint
from station.ledger.rows import SampleRow
from web import access
from web.access import demand_measuring
from web.format import place, wires
from web.forms import choices, field, order_from, read_place, sizes_in
from web.live import OPEN_STAGES, events, live_view
from web.request import bench, lead_to, nests, reader, station
from web.translation import chosen
from web.views.reels import temperature_words

LONG_POLL_S = 10.0
SETTLE_S = 1.0
"""How long an answer to a button waits for the bench to react, so that it shows the next step."""

LATELY = 50
"""Among so many samples of a nest its gauge at hand is looked for."""

pages = Blueprint("bench", __name__, url_prefix="/bench")


@pages.get("")
def bench_page() -> str:
    """Form and live part."""
    return _page(_suggested_values())


@pages.post("")
def start() -> Response | tuple[str, int]:
    """Take up the sample that the form describes; the form comes back with what is wrong."""
    try:
        order = order_from(request.form, bench().limit_sets, bench().connectors)
        demand_measuring(order.person)
        return take_up(order)
    except (BadInput, NestOnHold, NoLimit, DataFileError) as error:
        return _page(request.form, str(error)), 400


@pages.get("/state")
def state() -> Response:
    """The live part as JSON: at once if it is newer than ``beyond``, else when it changes."""
    beyond = request.args.get("beyond", -1, type=int)
    board, waiting = bench().board, station().waiting
    snapshot = board.state
    # Equal only: a page from before a restart may count from a higher version.
    if beyond == snapshot.version and waiting.acquire(blocking=False):
        try:
            snapshot = board.wait_beyond(beyond, LONG_POLL_S)
        finally:
            waiting.release()
    view = asdict(live_view(snapshot, bench().limit_sets))
    return jsonify(view | {"started": station().started})


@pages.get("/events")
def follow() -> Response:
    """The live part as server-sent events, the curve included."""
    here = station()
    if not here.following.acquire(blocking=False):
        # No page around it: a crowd would keep the bench busy with that.
        words = say("Too many pages follow the bench at once: this one asks again and again.")
        return Response(words, 503, mimetype="text/plain")
    answer = Response(
        events(
            here.bench.board, here.bench.limit_sets, here.started, access.still_inside(), chosen()
        ),
        mimetype="text/event-stream",
    )
    answer.call_on_close(here.following.release)
    return answer


@pages.post("/confirm")
def confirm() -> Response:
    """Clips are on, or the sample is gripped; with ``rest`` all looks are good that are open."""
    if sizes := sizes_in(request.form):
        bench().sizes.take(sizes)
    return _done(confirm_seen if "rest" in request.form else bench().confirm)


@pages.post("/looks")
def look() -> Response:
    """Answer one look at the joint in hand, or say that the rest is as it should be."""
    form = request.form
    answers = {form[name]: name == "yes" for name in ("yes", "no") if name in form}
    return _done(lambda: bench().look(answers | (_rest() if "rest" in form else {})))


@pages.post("/failure")
def failure() -> Response:
    """How the sample let go."""
    mode = field(request.form, "mode", say("how the sample let go"))
    return _done(lambda: bench().name_failure(mode), leaves=Stage.NAME_FAILURE)


@pages.post("/enough")
def enough() -> Response:
    """The sample has borne enough: its pull is stopped."""
    return _done(bench().stop_pull)


@pages.post("/next")
def pull_next() -> Response:
    """The joint's next wire is to be pulled as well."""
    return _done(bench().pull_next)


@pages.post("/abandon")
def abandon() -> Response:
    """Give the sample up; before anything was measured that leads back to where it came from."""
    reason = field(request.form, "reason", say("the reason"))
    answer = _done(lambda: bench().abandon(reason))
    state = bench().board.state
    if state.stage is not Stage.IDLE or state.order is None or state.order.job_id is None:
        return answer
    return lead_to("jobs.job_page", job_id=state.order.job_id)


@pages.post("/save")
def save() -> Response:
    """Try now to record a sample that is in memory only."""
    bench().unsaved.save_again()
    return lead_to("bench.bench_page")


def take_up(order: SampleOrder) -> Response:
    """Begin a sample at the bench, and lead to where it is followed."""
    return _done(lambda: bench().start(order))


def confirm_seen() -> None:
    """Every look that is still open is as it should be, and the clips are on or it is gripped."""
    if rest := _rest():
        bench().look(rest)
    bench().confirm()


def _rest() -> dict[str, bool]:
    """The looks that nobody answered yet, as good."""
    order = bench().board.state.order
    if order is None or order.coded:
        return {}
    looks = bench().connectors.answers(order.joint.connector, order.checklist)
    return {item.id: True for item, good in looks if good is None}


def in_hand() -> BenchState | None:
    """What the bench shows of the sample at it; None while a new one may be described."""
    state = bench().board.state
    return None if state.stage in OPEN_STAGES else state


def without_the_one_in_hand(rows: Iterable[SampleRow]) -> list[SampleRow]:
    """Samples but the one at the bench just now, and the one that it is made in place of."""
    state = in_hand()
    order = state and state.order
    here = {state and state.sample_id, order and order.offered_again_for}
    return [row for row in rows if row.sample_id not in here]


def _done(action: Callable[[], object], leaves: Stage | None = None) -> Response:
    """Do it, and wait until the bench shows something newer than before, or leaves a stage."""
    board, until_s = bench().board, time.monotonic() + SETTLE_S
    before = board.state.version
    action()
    state = board.wait_beyond(before, SETTLE_S)
    while state.stage is leaves and (left_s := until_s - time.monotonic()) > 0.0:
        state = board.wait_beyond(state.version, left_s)
    return lead_to("bench.bench_page")


def _page(values: Mapping[str, str], problem: str = "") -> str:
    snapshot = bench().board.state
    view = live_view(snapshot, bench().limit_sets)
    taken = {} if snapshot.order is None else snapshot.order.sizes
    return render_template(
        "bench.html",
        view=view,
        started=station().started,
        temperature=temperature_words(),
        **_in_hand(snapshot.order),
        sizes=[one for one in bench().sizes.limits() if one.criterion not in taken],
        open_stages=[stage.value for stage in OPEN_STAGES],
        states={place(*one.key): one.state for one in nests() if one.state != "steady"},
        offers=choices(reader(), bench().limit_sets, bench().connectors),
        values=values,
        problem=problem,
        job_id=None if snapshot.order is None else snapshot.order.job_id,
        person="" if snapshot.order is None else snapshot.order.person,
        joint_words="" if snapshot.order is None else _joint_words(snapshot.order.joint),
        **_next_in_job(snapshot),
        # A coded sample is filed under its code alone: it names no job to go on with.
        # What the link asked for is described first, below what was found last.
        asked="place" in request.args,
        coded=snapshot.order is not None and snapshot.order.coded,
    )


def _next_in_job(state: BenchState) -> dict[str, object]:
    """What a daily check goes on with after the sample that is done, or what is due after it."""
    order = state.order
    if state.stage is not Stage.DONE or order is None or order.job != DAILY or not order.job_id:
        return {}
    record, joint = bench().jobs.record(order.job_id), order.joint
    found = {"checked": joint, "found": found_of(record).get((joint.tool, joint.nest))}
    if (step := bench().jobs.state(order.job_id).next) is not None:
        return found | {"step": step, **_ahead(order, step.tool, step.nest, order.job_id)}
    due = (item.last for item in bench().jobs.due() if item.due and item.last.open_job is None)
    following = next(due, None)
    ahead = {} if following is None else _ahead(order, following.tool, following.nest)
    return found | {"ended": record.ended, "next_due": following, **ahead}


def _ahead(
    order: SampleOrder, tool: str | None, nest: str | None, job_id: str | None = None
) -> dict[str, object]:
    """What is asked before the clips go on the next joint, so that one touch leads past that.

    Nothing where they go on elsewhere than before: that is drawn at a step of its own.
    """
    joint = joint_at_hand(tool, nest, job_id)
    facts = {} if joint is None else _facts_of(joint, {})
    if joint is None or not facts or facts["family"] != _in_hand(order).get("family"):
        return {}
    return {"ahead": {"words": _joint_words(joint), "looks": facts["looks"]}}


def joint_at_hand(tool: str | None, nest: str | None, job_id: str | None = None) -> Joint | None:
    """What the nest makes in this check, else what it made last of what has a baseline."""
    rows = reader().nest_samples(tool or "", nest or "", limit=LATELY)[::-1]
    known = reader().baselines()
    rows.sort(key=lambda row: (row.job_id != job_id, row.joint_key not in known))
    return rows[0].joint if rows else None


def _in_hand(order: SampleOrder | None) -> dict[str, object]:
    return {} if order is None else _facts_of(order.joint, order.checklist)


def _joint_words(joint: Joint) -> str:
    nest = {"tool": joint.tool, "nest": joint.nest}
    return say("{tool}, nest {nest}: {made_of}", **nest, made_of=wires(joint.wires))


def _facts_of(joint: Joint, checklist: Mapping[str, bool]) -> dict[str, object]:
    """Where to clip a joint, and what is asked of those who look at it."""
    book = bench().connectors
    if (connector := book.connectors.get(joint.connector)) is None:
        return {}
    family = book.family_of(connector)
    return {
        "family": family,
        "drawing": drawing(family),
        "looks": book.answers(connector.id, checklist),
        "span_mm": f"{1e3 * bench().settings.fixture.span_of(connector.family):g}",
    }


def _suggested_values() -> dict[str, str]:
    """What the form starts with: the sample before, then what the link asked for."""
    values = {"job": DAILY, "person": access.person_here()}
    order = bench().board.state.order
    if order is not None:
        values |= _values_of(order)
    asked = {
        name: request.args[name] for name in ("person", "job", "place") if name in request.args
    }
    if asked.get("place", values.get("place")) != values.get("place"):
        # The joint before was made in another nest: it would be the wrong one here.
        values |= _usual_joint(read_place(asked["place"]))
    return values | asked


def _usual_joint(nest: tuple[str, str] | None) -> dict[str, str]:
    """What the latest sample of a nest was made of; nothing chosen where it has none."""
    latest = [] if nest is None else reader().nest_samples(*nest, limit=1)
    if not latest:
        return {"connector": "", "wire": "", "wire2": ""}
    return _made_of(latest[0])


def _made_of(joint: Joint | SampleRow) -> dict[str, str]:
    book, first, other = bench().connectors, joint.wires[0], joint.wires[-1]
    connector = book.connectors.get(joint.connector)
    usual = connector and book.joint_wires(connector, parse_size(first)) == joint.wires
    return {"connector": joint.connector, "wire": first, "wire2": "" if usual else other}


def _values_of(order: SampleOrder) -> dict[str, str]:
    joint = order.joint
    return _made_of(joint) | {
        "person": order.person,
        "job": order.job,
        "place": place(joint.tool, joint.nest),
        "tool": joint.tool,
        "nest": joint.nest,
        "material": joint.material,
        "limit_set": order.limit_set or "",
    }
