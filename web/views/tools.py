"""Tools: one line per nest, and the trend of each."""

import csv
import io
from datetime import datetime

from flask import Blueprint, abort, render_template, request
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import NotOnRecord
from station.ledger.export_format import guarded
from station.ledger.jobs import baseline_entries, last_look, work
from station.shop.nests import TOOL_LOOKS, since_good_check, way_back
from station.shop.rights import Right
from station.shop.tools import described_tool
from station.shop.trend import NestTrend
from web.access import demand_person, may
from web.nests import NestStatus
from web.request import bench, lead_to, nests, reader, station, tool_looks_due
from web.trend import MARK_WORDS, drawings, marks_of

TABLE_ROWS = 200
FEW_ROWS = 20
RECENT_WORK = 20

pages = Blueprint("tools", __name__, url_prefix="/tools")


@pages.get("")
def tool_list() -> str:
    """One line per tool and nest."""
    return render_template(
        "tools.html",
        statuses=nests(),
        looks=tool_looks_due(),
        behind=station().trends.behind,
    )


@pages.post("")
def add_tool() -> Response:
    """Put a tool on record, or add nests to one that is."""
    person = demand_person()
    nests = [nest for nest in request.form.get("nests", "").split(",") if nest.strip()]
    tool, description = request.form.get("tool", ""), request.form.get("description", "")
    serial = request.form.get("serial", "")
    bench().enter(described_tool(reader(), tool, nests, description, serial), person)
    return lead_to("tools.tool_list")


@pages.get("/<tool>/<path:nest>")
def nest_page(tool: str, nest: str) -> str:
    """The trend of one nest, and its samples."""
    status = _status(tool, nest)
    trend = status.trend
    # The joint that was made last comes first.
    joints = {row.joint_key: row for row in reversed(trend.samples)}
    asked = request.args.get("joint", "")
    joint = asked if asked in joints else next(iter(joints), None)
    services = reader().services(trend.tool, trend.nest)
    baselines = baseline_entries(reader(), trend.tool, trend.nest)
    marks = marks_of(trend, services, baselines)
    return render_template(
        "nest.html",
        status=status,
        marks=marks,
        mark_words=MARK_WORDS,
        trend=trend,
        description=next(
            (row.description for row in reader().tools() if row.tool == trend.tool), ""
        ),
        joints=joints,
        joint=joint,
        drawings=[] if joint is None else drawings(trend, joint, _limit_ohm(trend, joint), marks),
        rows=status.rows[-(TABLE_ROWS if "all" in request.args else FEW_ROWS) :][::-1],
        more=len(status.rows) > FEW_ROWS and "all" not in request.args,
        services=services[::-1],
        hold=status.hold,
        way_back=way_back(reader(), trend.tool, trend.nest) if status.hold else None,
        work=work(reader(), tool=trend.tool, nest=trend.nest, limit=RECENT_WORK)[::-1],
        may_release=may(Right.RELEASE),
        since=since_good_check(reader(), trend.tool, trend.nest, most=TABLE_ROWS),
        most=TABLE_ROWS,
        look=last_look(reader(), trend.tool, trend.nest),
        look_every=bench().settings.tool_look_every_days,
        tool_looks=TOOL_LOOKS,
    )


@pages.get("/<tool>/<path:nest>/samples.csv")
def nest_csv(tool: str, nest: str) -> Response:
    """What the page of a nest shows, as a table for other programs; SI units."""
    columns = (
        "sample_id", "at_utc", "verdict", "not_judged", "only", "job", "person", "connector",
        "wires", "material",
        "peak_n", "peak_u_n", "splice_ohm", "splice_u_ohm", "failure_mode", "replaces", "demo",
    )  # fmt: skip
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([*columns, "force_score", "resistance_score"])
    for row in _status(tool, nest).rows:
        cells = [getattr(row.sample, name) for name in columns]
        writer.writerow([csv_cell(cell) for cell in (*cells, row.force, row.resistance)])
    return Response(text.getvalue(), mimetype="text/csv")


def csv_cell(value: object) -> str:
    """Write a cell that no spreadsheet takes for a formula."""
    match value:
        case None:
            return ""
        case bool():
            return str(value).lower()
        case float() | int():
            return repr(value)
        case datetime():
            return value.isoformat()
        case tuple():
            return guarded(" + ".join(value))
        case _:
            return guarded(str(value))


def _status(tool: str, nest: str) -> NestStatus:
    # Names may hold slashes; whole paths are compared, wherever the address was split.
    path = f"{tool}/{nest}"
    known = {f"{item.trend.tool}/{item.trend.nest}": item for item in nests()}
    if path not in known:
        if station().trends.behind:
            abort(503, say("The trends are being worked out from a long record: load again soon."))
        raise NotOnRecord(
            "There is no nest {nest} of a tool {tool} on record: look under Tools.",
            nest=nest,
            tool=tool,
        )
    return known[path]


def _limit_ohm(trend: NestTrend, joint_key: str) -> float | None:
    """The resistance that the latest sample of a joint had to stay under; None where none was."""
    rows = [row for row in trend.samples if row.joint_key == joint_key and row.splice_ohm]
    found = reader().finished_payload(rows[-1].sample_id) if rows else None
    limits = [one.limit for one in found.criteria if one.unit == "ohm"] if found else []
    return min(limits, default=None)
