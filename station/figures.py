"""Figures that the command line writes to a file. The drawing library is imported when needed."""

from collections.abc import Sequence
from pathlib import Path

from station.errors import BadInput
from station.statistics.drift_study import DriftStudy

FORMATS = (".svg", ".png", ".pdf")

LINE = "#2b7fc4"
ALARM = "#d3492a"


def draw_drift(path: Path, values: Sequence[float], study: DriftStudy) -> None:
    """Draw values in time order with the change that was found, if any.

    Raises
    ------
    BadInput
        The file's ending names no known format, or the file cannot be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise BadInput(f"{path.name} is no figure file: end it with {', '.join(FORMATS)}.")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 4.0), layout="constrained")
    axes = figure.subplots()
    axes.plot(values, ".-", color=LINE, linewidth=0.8, markersize=5)
    axes.axhline(study.baseline.center, color="black", linewidth=0.8)
    if study.change is not None and study.signal_index is not None:
        change = study.change
        axes.axvspan(change.began_low - 0.5, change.began_high + 0.5, color=ALARM, alpha=0.15)
        axes.axvline(change.began, color=ALARM, linestyle=":", label="change began (95 % shaded)")
        axes.axvline(study.signal_index, color=ALARM, linestyle="--", label="signal")
        axes.legend()
    axes.set_xlabel("index")
    axes.set_ylabel("value")
    try:
        figure.savefig(path)
    except OSError as error:
        raise BadInput(f"{path} could not be written: {error.strerror}.") from error
