"""Figures that the command line writes to a file. The drawing library is imported when needed."""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from station.errors import BadInput
from station.files import whole_file
from station.shop.study_figure import ALARM, LINE, GaugePicture, draw_gauge
from station.statistics.capability import Capability
from station.statistics.charts import Chart, Signal
from station.statistics.comparison import Comparison
from station.statistics.drift_study import DriftStudy

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = (".svg", ".png", ".pdf")

SECOND = "#a87900"

MOST_RUGS = 300
LONGEST_NAME = 20


def draw_drift(path: Path, values: Sequence[float], study: DriftStudy) -> None:
    """Draw values in time order with the change that was found, if any.

    Raises
    ------
    BadInput
        The file's ending names no known format, or the file cannot be written; so for every figure.
    """
    with _saved(path, (8.0, 4.0)) as figure:
        axes = figure.subplots()
        first = study.baseline.n
        axes.plot(
            range(-first, len(values) - first),
            values,
            ".-",
            color=LINE,
            linewidth=0.8,
            markersize=5,
        )
        axes.axhline(study.baseline.center, color="black", linewidth=0.8)
        if study.change is not None and study.signal_index is not None:
            change = study.change
            axes.axvspan(change.began_low - 0.5, change.began_high + 0.5, color=ALARM, alpha=0.15)
            axes.axvline(
                change.began, color=ALARM, linestyle=":", label="change began (95 % shaded)"
            )
            axes.axvline(study.signal_index, color=ALARM, linestyle="--", label="signal")
            axes.legend()
        axes.set(xlabel="index", ylabel="value")


def draw_gauge_study(path: Path, picture: GaugePicture) -> None:
    """Draw a gauge study: its measurements, the limit with its blind zone, both spreads."""
    with _saved(path, (8.0, 4.2)) as figure:
        draw_gauge(figure, picture)


def draw_capability(
    path: Path, values: Sequence[float], result: Capability, lower: float, words: str
) -> None:
    """Draw the spread of values with the limit and the bound that must not lie below it.

    Parameters
    ----------
    words
        What the bound says, for its label.
    """
    with _saved(path, (8.0, 4.0)) as figure:
        from matplotlib.ticker import MaxNLocator

        axes = figure.subplots()
        # As many bars as the square root of the values, 5 to 60.
        bars = int(np.clip(np.sqrt(len(values)), 5, 60))
        axes.hist(values, bins=bars, color=LINE, alpha=0.45, edgecolor="white")
        if len(values) <= MOST_RUGS:
            axes.plot(values, np.zeros(len(values)), "|", color=LINE, markersize=14, clip_on=False)
        axes.axvline(result.mean, color="black", linewidth=1.0, label=f"mean {result.mean:.5g}")
        bound = result.judged_bound
        if bound is not None:
            axes.axvline(bound, color=LINE, linestyle="-.", label=f"bound {bound:.5g}: {words}")
        axes.axvline(lower, color=ALARM, linestyle="--", linewidth=1.8, label=f"limit {lower:g}")
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set(xlabel="value", ylabel="samples")
        axes.set_title(f"{result.verdict.upper()}, {result.n} samples", loc="left")
        figure.legend(loc="outside lower left", ncols=3, frameon=False)


def draw_chart(path: Path, chart: Chart) -> None:
    """Draw a control chart; points that break a rule are ringed."""
    with _saved(path, (8.0, 4.0)) as figure:
        axes = figure.subplots()
        axes.plot(chart.points, ".-", color=LINE, linewidth=0.8, markersize=6)
        if chart.lower_points is not None:
            axes.plot(chart.lower_points, ".-", color=SECOND, linewidth=0.8, markersize=6)
        middle = chart.center if chart.lower_points is None else 0.0
        axes.axhline(middle, color="black", linewidth=0.8)
        for height, name in ((chart.upper, "upper"), (chart.lower, "lower")):
            axes.axhline(height, color=ALARM, linestyle="--", linewidth=1.2)
            _at_the_right(axes, height, f"{name} {height:.5g}")
        _at_the_right(axes, middle, f"centre {chart.center:.5g}")
        marked = sorted({signal.index for signal in chart.signals})
        axes.plot(
            [signal.index for signal in chart.signals],
            [_height(chart, signal) for signal in chart.signals],
            "o", color=ALARM, markersize=11, fillstyle="none", markeredgewidth=1.6,
        )  # fmt: skip
        axes.margins(y=0.15)
        axes.set(xlabel="index", ylabel="value")
        # Of signals by one rule the first stays.
        by_rule = {signal.rule: signal.index for signal in reversed(chart.signals)}
        found = sorted(by_rule.items(), key=lambda item: item[::-1])
        first = ", ".join(f"{rule} from {index}" for rule, index in found)
        words = f"signals at {len(marked)} points: {first}" if marked else "no signal"
        axes.set_title(words, loc="left", fontsize=10)


def draw_comparison(
    path: Path,
    values: tuple[Sequence[float], Sequence[float]],
    names: tuple[str, str],
    result: Comparison,
) -> None:
    """Draw both groups value by value with their means."""
    with _saved(path, (8.0, 4.0)) as figure:
        axes = figure.subplots()
        for place, (column, color) in enumerate(zip(values, (LINE, SECOND), strict=True)):
            # Spread sideways by rank in a fixed order: the same values give the same picture.
            order = np.argsort(np.argsort(column))
            sideways = place + 0.5 * ((order * 0.618034) % 1.0 - 0.5)
            axes.plot(sideways, column, "os"[place], color=color, alpha=0.6, markersize=6)
            mean = result.groups[place].mean
            axes.plot([place - 0.35, place + 0.35], [mean, mean], color="black", linewidth=1.8)
            axes.annotate(f"{mean:.5g}", (place + 0.37, mean), va="center")
        counted = zip(names, result.groups, strict=True)
        axes.set_xticks([0, 1], [f"{_short(name)}\n{group.n} values" for name, group in counted])
        axes.set(xlim=(-0.6, 1.75), ylabel="value")
        above = f"{_short(names[0])} above in {result.chance_above.value:.0%} of pairs"
        axes.set_title(f"every value, line: mean; {above}", loc="left", fontsize=10)


def _height(chart: Chart, signal: Signal) -> float:
    down = chart.lower_points if signal.rule == "cusum-down" else None
    return (chart.points if down is None else down)[signal.index]


def _at_the_right(axes: "Axes", height: float, text: str) -> None:
    axes.annotate(
        text, (1.0, height), xycoords=("axes fraction", "data"), xytext=(4, 0),
        textcoords="offset points", va="center", fontsize=9,
    )  # fmt: skip


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 3] + "..."


@contextmanager
def _saved(path: Path, size_in: tuple[float, float]) -> Iterator["Figure"]:
    """A figure to draw on, which the file holds when the block ends."""
    if path.suffix.lower() not in FORMATS:
        raise BadInput(f"{path.name} is no figure file: end it with {', '.join(FORMATS)}.")
    import matplotlib
    from matplotlib.figure import Figure

    # Names come from people's files: a dollar sign in them is not a formula.
    settings = {"text.parse_math": False, "axes.spines.top": False, "axes.spines.right": False}
    with matplotlib.rc_context(settings):  # type: ignore[arg-type]
        figure = Figure(figsize=size_in, layout="constrained")
        yield figure
        drawn = io.BytesIO()
        figure.savefig(drawn, format=path.suffix[1:].lower())
    with whole_file(path) as half:
        half.write_bytes(drawn.getvalue())
