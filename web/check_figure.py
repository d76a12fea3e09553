"""The chart of an instrument's checks, drawn like every other figure."""

from collections.abc import Sequence
from typing import Any

from calibration.check_chart import check_chart
from calibration.standing import UNITS, CheckResult, Role
from web.figures import ALARM, INK, LINE, MAX_POINTS, draw_svg
from web.sentences import said_or_typed


def check_figure(checks: Sequence[CheckResult], role: Role) -> str:
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
            chosen = [(n, c.value * scale) for n, c in enumerate(shown) if c.passed is passed]
            if chosen:
                axes.plot(
                    [number for number, _ in chosen], [value for _, value in chosen],
                    marker, color=color, markersize=5 if passed else 9, linestyle="none",
                )  # fmt: skip
        axes.set_xlabel(said_or_typed("checks in the order they were made"))
        axes.set_ylabel(said_or_typed(f"value in {unit}"))
        axes.set_xlim(-0.8, max(len(shown), 2) - 0.2)

    words = "passed" if latest.passed else "failed"
    title = f"{latest.name}: {len(checks)} checks, the last {words} on {latest.at:%Y-%m-%d}"
    return draw_svg(draw, title=title, size_in=(7.8, 2.6))
