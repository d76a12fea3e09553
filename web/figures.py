"""Figures, drawn on the server as SVG with a title.

The functions take plain data, so that a page and a report draw the same figure. The drawing library
is slow to import and is therefore imported when the first figure is drawn.
"""

import io
import itertools
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.check_chart import check_chart
from calibration.saying import say
from calibration.standing import UNITS, CheckResult, InstrumentKind
from station.jobs.papers.plots import ALARM, LINE
from web.format import newton
from web.svg import clean_svg
from web.translation import said_or_typed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAX_POINTS = 400
"""Checks in one figure: more would be slow to draw."""

MAX_COLUMNS = 800
"""A trace is thinned to the lowest and highest force in so many stretches of time."""

INK = "#010203"
"""Replaced by the text colour of the page around the figure."""

_DRAWING = threading.Lock()
"""The drawing library keeps its settings in one place for all threads."""


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
        axes = figure.add_axes((0.1, 0.16, 0.88, 0.81))
        axes.plot(time, force, color=LINE, linewidth=1.5)
        axes.plot([peak_time_s], [peak_n], "v", color=INK, markersize=7)
        late = peak_time_s > float(np.mean(time[[0, -1]]))
        _note(
            axes, f"{said_or_typed('peak')} {newton(peak_n)}", (peak_time_s, peak_n), leftwards=late
        )
        if limit_n is not None:
            axes.axhline(limit_n, color=ALARM, linestyle="--", linewidth=1.2)
            _note(axes, f"{said_or_typed('limit')} {newton(limit_n)}", (float(time[0]), limit_n))
        axes.set_xlabel(said_or_typed(say("time in s")))
        axes.set_ylabel(said_or_typed(say("force in N")))
        axes.margins(y=0.12)

    # To fit margins to the labels draws a figure twice: those above hold any force and time.
    return draw_svg(draw, title=title, size_in=(7.8, 3.4), fit_margins=False)


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


def _note(axes: "Axes", text: str, at: tuple[float, float], *, leftwards: bool = False) -> None:
    axes.annotate(
        text,
        at,
        xytext=(-4 if leftwards else 4, 7),
        textcoords="offset points",
        horizontalalignment="right" if leftwards else "left",
        color=INK,
    )


def draw_svg(
    draw: "Callable[[Figure], None]",
    *,
    title: str,
    size_in: tuple[float, float],
    fit_margins: bool = True,
) -> str:
    """Draw a figure as SVG that may stand in a page, a report or a file of its own.

    Parameters
    ----------
    draw
        Draws on an empty figure; :data:`INK` becomes the text colour around it.
    title
        What the figure shows, for those who do not see it.
    size_in
        Width and height in inches; its shape, as the page scales it.
    fit_margins
        Fit the margins to the labels, which takes twice as long.
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
        figure = Figure(figsize=size_in, layout="constrained" if fit_margins else None)
        draw(figure)
        figure.savefig(page, format="svg", transparent=True, metadata={"Date": None})
    return clean_svg(page.getvalue(), title=title, ink=INK)


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
