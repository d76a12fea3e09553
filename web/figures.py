"""Figures, drawn on the server as SVG with a title and a link on every sample.

The functions take plain data, so that a page and a report draw the same figure. The drawing library
is slow to import and is therefore imported when the first figure is drawn.
"""

import bisect
import io
import itertools
import threading
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.check_chart import check_chart
from calibration.saying import say
from calibration.standing import UNITS, CheckResult, InstrumentKind
from station.jobs.papers.plots import ALARM, LINE
from station.ledger.rows import SampleRow, ServiceRow
from station.shop.trend import NestTrend
from web.format import badge, local_time, newton
from web.svg import clean_svg
from web.translation import said_or_typed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

MAX_POINTS = 400
"""Samples in one figure: more would be slow to draw and too dense to touch."""

MAX_COLUMNS = 800
"""A trace is thinned to the lowest and highest force in so many stretches of time."""

INK = "#010203"
"""Replaced by the text colour of the page around the figure."""

# Mid tones: each has at least 3:1 against a white and against a near-black ground.
DOUBT = "#a87900"

_COLORS = {"pass": LINE, "fail": ALARM, "undecided": DOUBT}
_TORN = ((-0.3, 1), (-0.3, -1), (-1.3, 0), (-0.3, 1), (0.3, 1), (0.3, -1), (1.3, 0), (0.3, 1))
"""Two triangles that point apart: the mark of a fail on every page."""

_DRAWING = threading.Lock()
"""The drawing library keeps its settings in one place for all threads."""


def trend_figure(
    trend: NestTrend,
    *,
    sample_url: Callable[[str], str],
    voids: Sequence[SampleRow] = (),
    service: ServiceRow | None = None,
) -> str:
    """Draw a nest's force and resistance scores over its samples, as SVG.

    The latest :data:`MAX_POINTS` samples are drawn. Where the wear watch has signalled, the sample
    that signalled and the stretch since the change began are marked.

    Parameters
    ----------
    sample_url
        Address of a sample by its id: the link of its point.
    voids
        Void samples, which are no part of the trend: marked at the foot, where they were made.
    service
        The service after which the trend begins.
    """
    first = max(0, len(trend.samples) - MAX_POINTS)
    rows = trend.samples[first:]
    urls = [sample_url(row.sample_id) for row in rows]
    voids = [row for row in voids if not rows or first == 0 or row.begun_seq > rows[0].begun_seq]
    void_urls = [sample_url(row.sample_id) for row in voids]

    def draw(figure: "Figure") -> None:
        force, resistance = figure.subplots(2, 1, sharex=True)
        points = trend.points[first:]
        _scores(force, [point.force_distance for point in points], rows, urls)
        _scores(resistance, [point.resistance_distance for point in points], rows, urls)
        force.set_ylabel(said_or_typed(say("force score")))
        resistance.set_ylabel(said_or_typed(say("resistance score")))
        _mark_change(trend, first, {"force": force, "resistance": resistance})
        _mark_voids(force, rows, voids, void_urls)
        if service is not None and first + trend.cut == 0:
            _mark_service((force, resistance), service)
        _date_ticks(resistance, rows)

    return draw_svg(
        draw,
        title=said_or_typed(
            say(
                "Tool {tool}, nest {nest}: {sentence}",
                tool=trend.tool,
                nest=trend.nest,
                sentence=say(trend.sentence),
            )
        ),
        link_titles={
            url: _point_title(row)
            for url, row in zip([*urls, *void_urls], [*rows, *voids], strict=True)
        },
        size_in=(7.8, 4.4),
    )


def trace_figure(
    time_s: ArrayLike,
    force_n: ArrayLike,
    *,
    peak_n: float,
    peak_time_s: float,
    limit_n: float | None,
    title: str,
) -> str:
    """Draw a pull's force over time with its peak and its limit, as SVG.

    Parameters
    ----------
    time_s, force_n
        Shape (n,), in seconds and newtons.
    limit_n
        Force to reach; None where there is none.
    """
    time, force = thinned(
        np.asarray(time_s, dtype=np.float64), np.asarray(force_n, dtype=np.float64), MAX_COLUMNS
    )

    def draw(figure: "Figure") -> None:
        axes = figure.subplots()
        axes.plot(time, force, color=LINE, linewidth=1.5)
        axes.plot([peak_time_s], [peak_n], "v", color=INK, markersize=7)
        late = peak_time_s > float(np.mean(time[[0, -1]]))
        _note(
            axes, f"{said_or_typed('peak')} {newton(peak_n)}", (peak_time_s, peak_n), leftwards=late
        )
        if limit_n is not None:
            axes.axhline(limit_n, color=ALARM, linestyle="--", linewidth=1.2)
            _note(
                axes,
                f"{said_or_typed('limit')} {newton(limit_n)}",
                (float(time[0]), limit_n),
                leftwards=False,
            )
        axes.set_xlabel(said_or_typed(say("time in s")))
        axes.set_ylabel(said_or_typed(say("force in N")))
        axes.margins(y=0.12)

    return draw_svg(draw, title=title, size_in=(7.8, 3.4))


def thinned(
    time_s: NDArray[np.float64], force_n: NDArray[np.float64], columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Keep the lowest and the highest force of each of ``columns`` stretches, in time order."""
    if time_s.size <= 2 * columns:
        return time_s, force_n
    edges = np.linspace(0, time_s.size, columns + 1).astype(np.intp)
    kept: set[int] = {0, time_s.size - 1}
    for start, end in itertools.pairwise(edges.tolist()):
        kept.add(start + int(np.argmin(force_n[start:end])))
        kept.add(start + int(np.argmax(force_n[start:end])))
    index = np.array(sorted(kept), dtype=np.intp)
    return time_s[index], force_n[index]


def _scores(
    axes: "Axes", scores: Sequence[float | None], rows: Sequence[SampleRow], urls: Sequence[str]
) -> None:
    axes.axhline(0.0, color=INK, linewidth=0.8, alpha=0.6)
    for verdict, color in _COLORS.items():
        chosen = {
            place: score
            for place, (score, row) in enumerate(zip(scores, rows, strict=True))
            if score is not None and row.verdict == verdict
        }
        if chosen:
            axes.scatter(
                list(chosen),
                list(chosen.values()),
                marker=_marker(verdict),
                color=color,
                s=80 if verdict == "fail" else 26,
                zorder=3,
                urls=[urls[place] for place in chosen],
            )


def _marker(verdict: str) -> "str | Path":
    from matplotlib.path import Path

    if verdict != "fail":
        return "o" if verdict == "pass" else "D"
    triangle = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    return Path(_TORN, triangle * 2)


def _mark_change(trend: NestTrend, first: int, axes_of: "dict[str, Axes]") -> None:
    report = trend.report
    if report is None:
        return
    last, first = len(trend.samples) - first - 1, first + trend.cut
    began, signal = report.change.began - first, report.signal_position - first
    for name, axes in axes_of.items():
        if report.characteristic not in (name, "both"):
            continue
        axes.axvspan(max(began, 0) - 0.5, last + 0.5, color=ALARM, alpha=0.14, linewidth=0)
        for position, style in ((began, ":"), (signal, "--")):
            if position >= 0:
                axes.axvline(position, color=ALARM, linestyle=style, linewidth=1.4)
        top = axes.get_ylim()[1]
        axes.set_ylim(top=top + 0.15 * (top - axes.get_ylim()[0]))
        words = say("dotted: change began {day:%Y-%m-%d}; dashed: signal", day=trend.change_began)
        axes.set_title(said_or_typed(words), color=INK, fontsize=10, loc="right")


def _mark_voids(
    axes: "Axes", rows: Sequence[SampleRow], voids: Sequence[SampleRow], urls: Sequence[str]
) -> None:
    from matplotlib.path import Path
    from matplotlib.transforms import blended_transform_factory

    if not voids:
        return
    made = [row.begun_seq for row in rows]
    struck = Path([(-1.5, -1.5), (1.5, 1.5)])
    axes.scatter(
        [bisect.bisect(made, row.begun_seq) - 0.5 for row in voids],
        [0.06] * len(voids),
        marker=Path.make_compound_path(Path.unit_circle(), struck),
        facecolors="none",
        edgecolors=INK,
        s=40,
        transform=blended_transform_factory(axes.transData, axes.transAxes),
        zorder=3,
        urls=list(urls),
    )


def _mark_service(both: "Sequence[Axes]", service: ServiceRow) -> None:
    for axes in both:
        axes.axvline(-0.6, color=INK, linewidth=3, alpha=0.7)
    both[0].set_title(
        said_or_typed(
            say(
                "begins after: {action}, {at_utc}",
                action=service.action,
                at_utc=local_time(service.at_utc)[:10],
            )
        ),
        color=INK,
        fontsize=10,
        loc="left",
        parse_math=False,
    )


def _date_ticks(axes: "Axes", rows: Sequence[SampleRow]) -> None:
    count = len(rows)
    axes.set_xlim(-0.8, max(count, 2) - 0.2)
    ticks = sorted({round(step * (count - 1) / 4) for step in range(5)}) if count else []
    axes.set_xticks(ticks, [f"{rows[tick].at_utc.astimezone():%Y-%m-%d}" for tick in ticks])
    axes.set_xlabel(said_or_typed(say("samples in the order they were made")))


def _note(axes: "Axes", text: str, at: tuple[float, float], *, leftwards: bool) -> None:
    axes.annotate(
        text,
        at,
        xytext=(-4 if leftwards else 4, 7),
        textcoords="offset points",
        horizontalalignment="right" if leftwards else "left",
        color=INK,
    )


def _point_title(row: SampleRow) -> str:
    verdict = badge(row) if row.verdict else say("Unfinished")
    return f"{said_or_typed(verdict)}, {local_time(row.at_utc)}, {row.person}"


def draw_svg(
    draw: "Callable[[Figure], None]",
    *,
    title: str,
    link_titles: Mapping[str, str] = MappingProxyType({}),
    size_in: tuple[float, float],
) -> str:
    """Draw a figure as SVG that may stand in a page, a report or a file of its own.

    Parameters
    ----------
    draw
        Draws on an empty figure; :data:`INK` becomes the text colour around it.
    title
        What the figure shows, for those who do not see it.
    link_titles
        What each link leads to, by its address.
    size_in
        Width and height in inches; its shape, as the page scales it.
    """
    import matplotlib
    from matplotlib.figure import Figure

    settings: dict[Any, Any] = {
        "svg.fonttype": "none",
        # Equal data, equal text: figures can be compared and cached.
        "svg.hashsalt": "station",
        "text.parse_math": False,
        "font.size": 10.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        **dict.fromkeys(
            ("axes.edgecolor", "axes.labelcolor", "xtick.color", "ytick.color", "text.color"), INK
        ),
    }
    page = io.StringIO()
    with _DRAWING, matplotlib.rc_context(settings):
        figure = Figure(figsize=size_in, layout="constrained")
        draw(figure)
        figure.savefig(page, format="svg", transparent=True, metadata={"Date": None})
    return clean_svg(page.getvalue(), title=title, ink=INK, link_titles=link_titles)


def check_figure(checks: Sequence[CheckResult], role: InstrumentKind) -> str:
    """Draw the checks of one series with the limits that the next one will meet, as SVG.

    Parameters
    ----------
    checks
        Of one kind and standard, oldest first, at least one; the latest
        :data:`web.figures.MAX_POINTS` are drawn.
    """
    latest = checks[-1]
    good = [check.value for check in checks if check.passed]
    chart = check_chart(good, expected=latest.expected, limit=latest.limit)
    unit, size = UNITS[role]
    scale = 1.0 / size
    shown = checks[-MAX_POINTS:]

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        axes.axhline(chart.center * scale, color=INK, linewidth=0.8, alpha=0.6)
        for limit in (chart.lower, chart.upper):
            axes.axhline(limit * scale, color=ALARM, linestyle="--", linewidth=1.2)
        for passed, marker, color in ((True, "o", LINE), (False, "X", ALARM)):
            chosen = [place for place, check in enumerate(shown) if check.passed is passed]
            axes.plot(
                chosen, [shown[place].value * scale for place in chosen],
                marker, color=color, markersize=5 if passed else 9, linestyle="none",
            )  # fmt: skip
        axes.set_xlabel(said_or_typed(say("checks in the order they were made")))
        axes.set_ylabel(said_or_typed(say("value in {unit}", unit=unit)))
        axes.set_xlim(-0.8, max(len(shown), 2) - 0.2)

    words = "passed" if latest.passed else "failed"
    title = f"{latest.name}: {len(checks)} checks, the last {words} on {latest.at:%Y-%m-%d}"
    return draw_svg(draw, title=title, size_in=(7.8, 2.6))
