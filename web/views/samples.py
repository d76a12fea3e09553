"""Samples: the list, newest first, and everything about one of them."""

from flask import Blueprint, Response, render_template, request
from werkzeug.wrappers import Response as WerkzeugResponse

from calibration.saying import say
from station.crimp.facts import shipped_causes
from station.crimp.limits import FORCES
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.resistance import InService, in_service
from station.crimp.verdict import VERDICT_WORDS
from station.crimp.wire import (
    CONSERVATIVE_CURRENT_WORDS,
    conservative_current_a,
    material_named,
    weakest_wire,
)
from station.errors import BadInput, NotOnRecord
from station.jobs.sample import void_by_word
from station.ledger.entries import Correction, SampleFinished
from station.ledger.photos import photos_of, picture_of
from station.ledger.reader import UNFINISHED
from station.ledger.rows import SampleRow
from station.ledger.traces import decode_trace
from station.shop.hints import hints_by_sample
from station.shop.lots import known_lots, names_of
from station.shop.photos import MOST_SENT_BYTES, SMALL_EDGE, cleaned, keep_photo
from station.shop.rights import Right
from web.access import demand, demand_person, inside
from web.figures import trace_figure
from web.forms import entry_number, field, number, places, read_place
from web.request import bench, lead_to, ledger, reader
from web.translation import said_or_typed

PAGE_ROWS = 15
VOID = "void"

pages = Blueprint("samples", __name__, url_prefix="/samples")


@pages.get("")
def sample_list() -> str:
    """Samples, newest first, paged, and filtered by what of the query can be read."""
    asked = request.args
    tool, nest = read_place(asked.get("place", "")) or (None, None)
    verdicts = VERDICT_WORDS | {UNFINISHED: "Unfinished"}
    verdict = asked.get("verdict")
    rows = reader().samples(
        tool,
        nest,
        asked.get("person") or None,
        limit=PAGE_ROWS + 1,
        before_seq=asked.get("before", type=entry_number),
        verdict=verdict if verdict in verdicts else None,
        lots=names_of(reader(), lot) if (lot := asked.get("lot", "").strip()) else None,
    )
    return render_template(
        "samples.html",
        rows=rows[:PAGE_ROWS],
        in_doubt=reader().times_in_doubt(row.entered_seq for row in rows),
        next_before=rows[PAGE_ROWS - 1].begun_seq if len(rows) > PAGE_ROWS else None,
        kept={name: asked[name] for name in asked if name != "before"},
        places=places(reader()),
        verdicts=verdicts.items(),
        known_lots=known_lots(reader()),
    )


@pages.get("/<sample_id>")
def sample_page(sample_id: str) -> str:
    """Everything about one sample."""
    row = _sample(sample_id)
    payload = reader().finished_payload(sample_id)
    return render_template(
        "sample.html",
        row=row,
        payload=payload,
        entry=next(reader().entries(after_seq=row.entered_seq - 1)),
        figures=_trace_figures(row, payload),
        photos=photos_of(reader(), [sample_id]),
        photos_on=bench().settings.photos.keep_megabytes > 0,
        service=_service(row),
        to_confirm=payload is not None and void_by_word(payload, row),
        current_words=CONSERVATIVE_CURRENT_WORDS,
        corrected=payload is not None and payload.verdict != row.verdict,
        hints=hints_by_sample(reader(), [row], shipped_causes()).get(sample_id, []),
        looks=[]
        if payload is None
        else bench().connectors.answers(row.connector, payload.checklist),
    )


@pages.post("/<sample_id>/correct")
def correct(sample_id: str) -> WerkzeugResponse:
    """Add a lead's later word on a finished sample; what was written stays."""
    lead = demand(Right.CORRECT)
    row = _sample(sample_id)
    if row.verdict is None:
        raise BadInput(
            "Sample {sample_id} is not finished: measure it again or void it on Today.",
            sample_id=sample_id,
        )
    reason = field(request.form, "reason", say("the reason"))
    match request.form.get("act"):
        case "void" if row.verdict == VOID and not _void_by_word(row):
            raise BadInput(
                "Sample {sample_id} is void already: nothing was changed.", sample_id=sample_id
            )
        case "void":
            said = Correction(corrects_id=sample_id, reason=reason, void_sample=True)
        case "mode":
            mode = field(request.form, "mode", say("how the sample let go"))
            if mode not in FAILURE_MODES:
                raise BadInput("{mode!r} is no failure mode: choose one from the list.", mode=mode)
            said = Correction(corrects_id=sample_id, reason=reason, failure_mode=mode)
        case _:
            raise BadInput("Say what to correct: void the sample, or change how it let go.")
    bench().enter(said.model_copy(update={"demo": row.demo}), lead.name)
    return lead_to("samples.sample_page", sample_id=sample_id)


@pages.get("/<sample_id>/trace.svg")
def trace_svg(sample_id: str) -> Response:
    """The pull of one sample as a figure of its own."""
    figures = _trace_figures(_sample(sample_id), reader().finished_payload(sample_id))
    if not figures:
        raise NotOnRecord(
            "Sample {sample_id} has no force trace: it was not pulled.", sample_id=sample_id
        )
    return Response(figures[0], mimetype="image/svg+xml")


def let_photos_in() -> None:
    """Take a larger request where a photo is sent; call it before anything reads the form."""
    sent = request.endpoint == "samples.add_photo"
    if sent and bench().settings.photos.keep_megabytes and inside():
        request.max_content_length = MOST_SENT_BYTES


@pages.post("/<sample_id>/photos")
def add_photo(sample_id: str) -> WerkzeugResponse:
    """Put a photo of a sample on record."""
    row = _sample(sample_id)
    person = demand_person()
    if (sent := request.files.get("photo")) is None:
        raise BadInput("Take or choose a photo first.")
    keep_photo(ledger(), row, sent.read(), person, bench().settings.photos.keep_megabytes)
    return lead_to("samples.sample_page", sample_id=sample_id)


@pages.get("/<sample_id>/photos/<sha256>.jpg")
def photo(sample_id: str, sha256: str) -> Response:
    """One photo of a sample, small where that is asked."""
    found = (one for one in photos_of(reader(), [sample_id]) if one.sha256 == sha256)
    picture = next((picture_of(reader(), one) for one in found), None)
    if picture is None:
        raise NotOnRecord("Sample {sample_id} has no such photo any more.", sample_id=sample_id)
    if "small" in request.args:
        picture = cleaned(picture, SMALL_EDGE)
    return Response(picture, mimetype="image/jpeg")


def _service(row: SampleRow) -> tuple[float, bool, InService] | None:
    """A current in the joint's circuit, whether it was asked for, and what the joint does there."""
    wire, material = weakest_wire(row.wires), material_named(row.material)
    asked = number(request.args, "current_a", say("the current"))
    current_a = conservative_current_a(wire, material) if asked is None else asked
    if row.splice_ohm is None or current_a is None:
        return None
    return current_a, asked is not None, in_service(row.splice_ohm, current_a, wire, material)


def _sample(sample_id: str) -> SampleRow:
    row = reader().sample(sample_id)
    if row is None:
        raise NotOnRecord(
            "There is no sample {sample_id} on record: look for it under Samples.",
            sample_id=sample_id,
        )
    return row


def _void_by_word(row: SampleRow) -> bool:
    finished = reader().finished_payload(row.sample_id)
    return finished is not None and void_by_word(finished, row)


def _trace_figures(row: SampleRow, payload: SampleFinished | None) -> list[str]:
    """Each pull of a sample over time, the first pull first."""
    named = {"sample_id": row.sample_id, "tool": row.tool, "nest": row.nest}
    title = say("Force over time of sample {sample_id}, tool {tool}, nest {nest}", **named)
    found = []
    for pull in () if payload is None else payload.pulls:
        data = pull.trace_sha256 and reader().trace(pull.trace_sha256, row.finished_seq)
        if data and payload:
            forces = (one for one in payload.criteria if one.criterion in FORCES)
            limits = [one.limit for one in forces if one.unit == "N" and one.wire == pull.wire]
            found.append(
                trace_figure(
                    *decode_trace(data),
                    peak_n=pull.peak_n,
                    peak_time_s=pull.peak_time_s,
                    limit_n=max(limits, default=None),
                    title=said_or_typed(title),
                )
            )
    return found
