"""Gauge studies: begin one, measure it turn by turn, see what it shows."""

import re
import secrets
from collections.abc import Mapping
from functools import partial

from flask import Blueprint, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from calibration.standing import UNITS, InstrumentKind
from calibration.study_plan import STUDY_WORDS, Turn, crossed_turns, nested_turns, reclip_turns
from station.errors import BadInput, InstrumentError
from station.shop.rights import Right
from station.shop.studies import (
    StudyProgress,
    begin,
    dropped,
    reading_for,
    result_of,
    sentences,
    studies,
    study,
    turn_words,
)
from station.shop.study_figure import draw_gauge
from web.access import demand_measuring, demand_person
from web.figures import INK, draw_svg
from web.forms import field, number, readings_in
from web.request import bench, lead_to, on_record, reader
from web.status import status_of
from web.views.calibration import known_instruments, people_who_may

SEED_BITS = 32
EXPECTED_OHM = 1e-2
"""The meter's range for a study without a limit."""

FIGURE_IN = (7.8, 4.1)

pages = Blueprint("studies", __name__, url_prefix="/instruments/studies")


@pages.get("")
def study_list() -> str:
    """Studies on record, and the form that begins one."""
    return _list({"repeats": "3", "clippings": "10", "each": "3"})


@pages.post("")
def begin_study() -> Response | tuple[str, int]:
    """Plan a study, draw its order and record both; the form comes back with what is wrong."""
    form = request.form
    try:
        person = demand_person()
        kind = form.get("kind", "")
        if kind not in STUDY_WORDS:
            raise BadInput("Choose which study to begin.")
        role: InstrumentKind = "tester" if kind == "nested" else "meter"
        seed = None if kind == "reclip" else secrets.randbits(SEED_BITS)
        limit = number(form, "limit", say("the limit"))
        payload = begin(
            kind,
            _turns(kind, form, seed or 0),
            title=field(form, "title", say("the title")),
            role=role,
            instrument=field(form, "instrument", say("the instrument")),
            seed=seed,
            limit=None if limit is None else limit * UNITS[role][1],
        )
    except BadInput as error:
        return _list(form, str(error)), 400
    entry = bench().enter(payload, person)
    return lead_to("studies.study_page", study_id=entry.id)


@pages.get("/<study_id>")
def study_page(study_id: str) -> str:
    """What is to be measured now, or what the study shows."""
    return _page(study(reader(), study_id))


@pages.post("/<study_id>/read")
def read(study_id: str) -> Response | tuple[str, int]:
    """Record the turn that is due, or one that is measured again."""
    progress = study(reader(), study_id)
    form = request.form
    try:
        turn = _turn(form)
        scale = UNITS[progress.begun.role][1]
        if form.get("how") == "read":
            name, readings = _read_by_the_bench(progress)
        else:
            name, readings = progress.begun.instrument, list(readings_in(form, scale))
        reason = form.get("reason", "")
        payload = reading_for(progress, turn, readings, instrument=name, reason=reason)
        person = demand_measuring(progress.begun.turns[turn].appraiser)
    except (BadInput, InstrumentError) as error:
        return _page(progress, form, str(error)), status_of(error)
    bench().enter(payload, person)
    return lead_to("studies.study_page", study_id=progress.id)


@pages.post("/<study_id>/drop")
def drop(study_id: str) -> Response:
    """Give a study up."""
    progress = study(reader(), study_id)
    person = demand_person()
    bench().enter(dropped(progress, field(request.form, "reason", say("the reason"))), person)
    return lead_to("studies.study_list")


def _read_by_the_bench(progress: StudyProgress) -> tuple[str, list[float]]:
    if progress.begun.role == "tester":
        name, peak_n = bench().read_pull()
        return name, [peak_n]
    return bench().read_standard("meter", progress.begun.limit or EXPECTED_OHM)


def _turn(form: Mapping[str, str]) -> int:
    text = form.get("turn", "")
    if not re.fullmatch(r"[0-9]{1,4}", text):
        raise BadInput("Which turn this is could not be read: load the page again.")
    return int(text) - 1


def _turns(kind: str, form: Mapping[str, str], seed: int) -> list[Turn]:
    people, parts = _labels(form, "people"), _labels(form, "parts")
    known = on_record()
    for name in people:
        if known and name not in known:
            raise BadInput("{name} is not on record: those who measure must be.", name=name)
    try:
        if kind == "crossed":
            return crossed_turns(people, parts, _count(form, "repeats"), seed)
        if kind == "nested":
            return nested_turns(people, parts, _count(form, "each"), seed)
        if len(people) != 1 or len(parts) != 1:
            raise BadInput("Clips off and on again: name one person and one part.")
        return reclip_turns(people[0], parts[0], _count(form, "clippings"), _count(form, "each"))
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput("The study cannot be planned: {error}.", error=str(error)) from error


def _labels(form: Mapping[str, str], name: str) -> list[str]:
    words = {"people": say("who measures"), "parts": say("the labels of the parts or batches")}
    return [label.strip() for label in field(form, name, words[name]).split(",") if label.strip()]


def _count(form: Mapping[str, str], name: str) -> int:
    words = {
        "repeats": say("the rounds"),
        "clippings": say("the clippings"),
        "each": "the readings of a clipping or parts of a batch",
    }
    text = field(form, name, words[name])
    if not re.fullmatch(r"[0-9]{1,4}", text):
        raise BadInput(
            "Give {words} as a whole number: {text!r} is none.",
            words=say(words[name]),
            text=text[:40],
        )
    return int(text)


def _list(values: Mapping[str, str], problem: str = "") -> str:
    return render_template(
        "studies.html",
        found=[(progress, STUDY_WORDS[progress.begun.study]) for progress in studies(reader())],
        kinds=list(STUDY_WORDS.items()),
        instruments=[*known_instruments("meter"), *known_instruments("tester")],
        people=people_who_may(Right.MEASURE),
        values=values,
        problem=problem,
    )


def _page(
    progress: StudyProgress, values: Mapping[str, str] | None = None, problem: str = ""
) -> str:
    begun, turn = progress.begun, progress.next_turn
    result = result_of(progress) if progress.complete else None
    figure = None
    if result is not None:
        figure = draw_svg(
            partial(draw_gauge, picture=result, ink=INK),
            title=f"{progress.begun.title}: {result.title}",
            size_in=FIGURE_IN,
        )
    return render_template(
        "study.html",
        progress=progress,
        kind=STUDY_WORDS[progress.begun.study],
        turn=turn,
        to_do=None if turn is None else turn_words(begun.turns[turn], begun.study),
        unit=UNITS[begun.role][0],
        role=begun.role,
        can_read=any(line.role == begun.role for line in bench().instruments()),
        said=[] if result is None else list(sentences(result)),
        figure=figure,
        answer=None if result is None or result.telling is None else result.telling.answer,
        people=people_who_may(Right.MEASURE),
        values=values or {},
        problem=problem,
    )
