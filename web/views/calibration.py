"""Calibrations and checks: entering them, what they showed, and looking back after a bad one."""

from collections.abc import Callable, Mapping
from functools import cache
from importlib import resources

from flask import Blueprint, abort, render_template, request
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response

from calibration.classes import schemes
from calibration.saying import say
from calibration.standing import CHECK_WORDS, UNITS, CheckResult, InstrumentKind
from station.errors import BadInput, InstrumentError
from station.ledger.entries import InstrumentCalibrated, InstrumentChecked
from station.ledger.entry import Entry
from station.shop.checks import judged_check
from station.shop.look_back import look_back
from station.shop.rights import Right, may
from station.shop.standards import Site, Standards, load_standards
from station.shop.trust import HEADINGS, InstrumentTrust, check_from, record_from
from web.access import demand, demand_person
from web.figures import check_figure
from web.forms import CHECKS_OF, POINT_FIELDS, SERIES, calibration_from, role_named
from web.forms import check_from as check_from_form
from web.request import bench, lead_to, reader, station, trust_book
from web.status import status_of

FIRST_ROWS = 6
MORE_ROWS = 6
MOST_ROWS = 60

PROCEDURES = {
    "meter": "Calibrating the milliohm meter",
    "tester": "Calibrating the pull tester",
    "checks": "Checks at the bench",
    "splice_resistance": "Resistance of a splice",
    "gauge_study": say("Gauge studies"),
}
"""Written procedures by file name, with their titles."""

pages = Blueprint("calibration", __name__, url_prefix="/instruments")


def shop_standards() -> Standards:
    """The shop's reference standards; invented ones stand in where everything is invented."""
    invented = bench().simulated or reader().is_demo()
    return load_standards(bench().settings.standards_folder, invented=invented)


@pages.get("")
def instruments() -> str:
    """Every instrument of the bench, how it is doing, and what its numbers are worth."""
    return render_template(
        "instruments.html",
        lines=bench().instruments(),
        words=HEADINGS,
        panel=bench().panel.line(),
        trusts=[(trust, _charts(trust)) for trust in trust_book().all()],
        known=reader().instruments(),
        procedures=PROCEDURES,
        standards=shop_standards().values(),
        today=station().clock().date(),
    )


@pages.get("/check")
def check_page() -> str | Response:
    """The form of a check, filled in like the last of its series where one is asked for."""
    if request.args.get("role") not in HEADINGS:
        return _to_the_instruments()
    return _check_form(_suggested_check(request.args))


@pages.post("/check")
def check() -> Response | tuple[str, int]:
    """Judge a check and record it; the form comes back with what is wrong."""
    form = request.form
    try:
        asked, readings = check_from_form(form, shop_standards(), station().clock().date(), _site())
        person = demand_person()
        if readings is None:
            name, read = bench().read_standard(asked.role, asked.expected)
            if name != asked.instrument:
                raise BadInput(
                    "The bench's {role} is {name}: check that one.", role=say(asked.role), name=name
                )
            readings = tuple(read)
        payload = judged_check(reader(), asked, readings)
    except (BadInput, InstrumentError) as error:
        return _check_form(form, str(error)), status_of(error)
    return _entered(payload, person)


@pages.get("/calibrate")
def calibrate_page() -> str | Response:
    """The form of a calibration."""
    if request.args.get("role") not in HEADINGS:
        return _to_the_instruments()
    return _calibration_form(request.args)


@pages.post("/calibrate")
def calibrate() -> Response | str | tuple[str, int]:
    """Judge a calibration and record it; the form comes back with what is wrong."""
    form = request.form
    if form.get("how") == "more":
        return _calibration_form(form)
    person = demand(Right.CALIBRATE).name
    try:
        made = calibration_from(form, shop_standards(), _site())
    except BadInput as error:
        return _calibration_form(form, str(error)), 400
    return _entered(made, person)


@pages.get("/entry/<entry_id>")
def entry_page(entry_id: str) -> str:
    """What a calibration or check on record says."""
    entry = reader().entry(entry_id)
    payload = None if entry is None else entry.payload
    if entry is None or not isinstance(payload, InstrumentCalibrated | InstrumentChecked):
        abort(404, say("There is no such calibration or check on record: look under Instruments."))
    unit, scale = UNITS[payload.role]

    def shown(value: float) -> str:
        return f"{value / scale:.6g} {unit}"

    if isinstance(payload, InstrumentChecked):
        standard = shop_standards().get(payload.standard)
        return render_template(
            "check_done.html",
            entry=entry,
            check=payload,
            name=check_from(entry).name,
            overdue=standard and standard.overdue(entry.at_utc.astimezone().date()),
            shown=shown,
        )
    return render_template(
        "calibration_done.html",
        entry=entry,
        made=payload,
        line=_line_words(entry, shown),
        shown=shown,
    )


@pages.get("/look-back")
def look_back_page() -> str:
    """Everything since the last good check of an instrument or tool."""
    instrument, tool = request.args.get("instrument"), request.args.get("tool")
    found = look_back(reader(), instrument=instrument, tool=tool)
    return render_template("look_back.html", found=found, of=instrument or tool)


@pages.get("/procedure/<name>")
def procedure(name: str) -> str:
    """A written procedure to follow at the bench."""
    if name not in PROCEDURES:
        abort(404, say("There is no procedure {name!r}: look under Instruments.", name=name))
    return render_template("procedure.html", title=PROCEDURES[name], text=_procedure(name))


def _entered(payload: InstrumentCalibrated | InstrumentChecked, person: str) -> Response:
    entry = bench().enter(payload, person)
    return lead_to("calibration.entry_page", entry_id=entry.id)


def _to_the_instruments() -> Response:
    """Where which instrument is meant is chosen: an address typed without its end names none."""
    return lead_to("calibration.instruments")


def _site() -> Site | None:
    settings = bench().settings
    return None if settings.latitude_deg is None else (settings.latitude_deg, settings.height_m)


def _line_words(entry: Entry, shown: Callable[[float], str]) -> str:
    try:
        fit = record_from(entry).line.fit
    except ValueError as error:
        return f"none: {error}"
    sign = "+" if fit.intercept >= 0.0 else "-"
    return (
        f"reading = {fit.slope:.6g} × value {sign} {shown(abs(fit.intercept))}, "
        f"scatter {shown(fit.residual_sd)} with {fit.dof} degrees of freedom"
    )


def known_instruments(role: InstrumentKind) -> list[str]:
    """Instruments of a role: those of the bench first, then those on record."""
    here = [line.identity for line in bench().instruments() if line.role == role]
    on_record = [name for name, of in reader().instruments().items() if of == role]
    return list(dict.fromkeys([*filter(None, here), *on_record]))


def people_who_may(right: Right) -> list[str]:
    """Names on record that have a right."""
    return [row.name for row in reader().people() if row.active and may(row.role, right)]


def _suggested_check(asked: Mapping[str, str]) -> dict[str, str]:
    """What the form starts with: the last check of the series asked for."""
    values = dict(asked)
    name = asked.get("instrument", "")
    series = (asked.get("kind", ""), asked.get("standard", ""))
    found = [check for check in map(check_from, reader().checks(name)) if check.series == series]
    if found:
        last = found[-1]
        scale = UNITS[role_named(asked.get("role", ""))][1]
        values |= {"expected": f"{last.expected / scale:.9g}", "limit": f"{last.limit / scale:.9g}"}
    return values


def _check_form(values: Mapping[str, str], problem: str = "") -> str:
    role = role_named(values.get("role", ""))
    return _form(
        "check.html",
        role,
        words={kind: CHECK_WORDS[kind] for kind in CHECKS_OF[role]},
        can_read=any(line.role == role for line in bench().instruments()),
        procedure=_procedure("checks"),
        people=people_who_may(Right.MEASURE),
        values=values,
        problem=problem,
    )


def _calibration_form(values: MultiDict[str, str], problem: str = "") -> str:
    role = role_named(values.get("role", ""))
    return _form(
        "calibrate.html",
        role,
        schemes=schemes().values(),
        classes=sorted({item.name for scheme in schemes().values() for item in scheme.classes}),
        series=[(name, _row_values(values, name)) for name in SERIES],
        procedure=_procedure(role),
        values=values,
        problem=problem,
    )


def _form(template: str, role: InstrumentKind, **shown: object) -> str:
    return render_template(
        template,
        role=role,
        unit=UNITS[role][0],
        instruments=known_instruments(role),
        standards=[item for item in shop_standards().values() if item.role == role],
        today=station().clock().date(),
        **shown,
    )


def _row_values(values: MultiDict[str, str], series: str) -> list[dict[str, str]]:
    columns = {name: values.getlist(f"{series}_{name}") for name in POINT_FIELDS}
    count = max(FIRST_ROWS, *map(len, columns.values()))
    if values.get("how") == "more":
        count += MORE_ROWS
    return [
        {name: column[row] if row < len(column) else "" for name, column in columns.items()}
        for row in range(min(count, MOST_ROWS))
    ]


@cache
def _procedure(name: str) -> str:
    """A procedure as HTML. The text is the project's own; raw HTML in it stays text."""
    from markdown_it import MarkdownIt

    file = resources.files("calibration") / "procedures" / f"{name}.md"
    plain = MarkdownIt("commonmark", {"html": False}).enable("table")
    page = str(plain.render(file.read_text(encoding="utf-8")))
    # Wide things scroll inside, never the page.
    scrolls = '<div class="scroll" tabindex="0" role="region" aria-label="Table"><table>'
    return page.replace("<table>", scrolls).replace("</table>", "</table></div>")


def _charts(trust: InstrumentTrust) -> list[tuple[CheckResult, str]]:
    """The latest check of each series since the last calibration, with its chart."""
    since = 0 if trust.record is None else trust.record.seq
    series: dict[tuple[str, str], list[CheckResult]] = {}
    for check in trust.checks:
        if check.seq > since:
            series.setdefault(check.series, []).append(check)
    return [(checks[-1], check_figure(checks, trust.role)) for checks in series.values()]
