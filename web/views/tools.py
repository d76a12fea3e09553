"""Tools: one line per nest, and the trend of each."""

from flask import Blueprint, Response, abort, render_template, url_for

from web.context import glances, reader, start_of_today, station
from web.figures import trend_figure
from web.nests import NestStatus, nest_status, nest_statuses

TABLE_ROWS = 200

pages = Blueprint("tools", __name__, url_prefix="/tools")


@pages.get("")
def tool_list() -> str:
    """One line per tool and nest."""
    statuses = nest_statuses(glances(), today=start_of_today())
    return render_template(
        "tools.html",
        statuses=statuses,
        behind=station().trends.behind,
        tools={row.tool: row for row in reader().tools()},
    )


@pages.get("/<tool>/<path:nest>")
def nest_page(tool: str, nest: str) -> str:
    """The trend of one nest, and its samples."""
    status = _status(tool, nest)
    trend = status.trend
    scored = zip(trend.samples, trend.force_distances, trend.resistance_distances, strict=True)
    return render_template(
        "nest.html",
        status=status,
        trend=trend,
        figure=_trend_svg(status),
        rows=list(scored)[-TABLE_ROWS:][::-1],
        services=reader().services(trend.tool, trend.nest)[::-1],
    )


@pages.get("/<tool>/<path:nest>/trend.svg")
def trend_svg(tool: str, nest: str) -> Response:
    """The trend of one nest as a figure of its own."""
    figure = _trend_svg(_status(tool, nest))
    if figure is None:
        abort(404, f"Nest {nest} of {tool} has no baseline: validate the tool to see its trend.")
    return Response(figure, mimetype="image/svg+xml")


def _status(tool: str, nest: str) -> NestStatus:
    # Names may hold slashes; whole paths are compared, wherever the address was split.
    path = f"{tool}/{nest}"
    known = {f"{item.trend.tool}/{item.trend.nest}": item for item in glances()}
    if path not in known:
        if station().trends.behind:
            abort(503, "The trends are being worked out from a long record: load again soon.")
        abort(404, f"There is no nest {nest} of a tool {tool} on record: look under Tools.")
    return nest_status(known[path], today=start_of_today())


def _trend_svg(status: NestStatus) -> str | None:
    if not status.trend.has_baseline:
        return None
    return trend_figure(
        status.trend, sample_url=lambda sample: url_for("samples.sample_page", sample_id=sample)
    )
