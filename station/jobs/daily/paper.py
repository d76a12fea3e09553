"""The paper of a daily check."""

from collections.abc import Sequence

from markupsafe import Markup

from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.papers.frame import Paper, paper
from station.jobs.papers.plots import Level, Row, strip_plot
from station.ledger.entries import NEST_OUTCOME
from station.ledger.rows import JobRecord, SampleRow

OUTCOME_WORDS = {
    "released": "RELEASED FOR THE DAY",
    "watch": "IN USE, ON WATCH",
    "held": "HELD: DO NOT USE",
    "broken off": "BROKEN OFF",
}


def daily_paper(
    record: JobRecord, rows: Sequence[SampleRow], *, marks: Sequence[str] = (), size: Paper = "a4"
) -> str:
    """A daily check as one HTML file.

    Parameters
    ----------
    rows
        The samples that counted, or were void, for its findings; those of the job among them.
    marks
        What must be said first, such as that the records are invented.
    """
    word = "still open" if record.ended is None else record.ended.outcome
    return paper(
        "daily",
        "Daily check",
        OUTCOME_WORDS.get(word, word),
        record,
        DailyCheckPlan.model_validate(record.begun.plan),
        found=[taken.step.content for taken in record.steps_named(NEST_OUTCOME)],
        rows=rows,
        words=OUTCOME_WORDS,
        force_plot=_force_plot,
        marks=marks,
        size=size,
    )


def _force_plot(rows: Sequence[SampleRow]) -> Markup:
    values = [row.peak_n / row.pull_limit_n for row in rows if row.peak_n and row.pull_limit_n]
    counted = [Row("samples that counted", values)] if values else []
    limit = [Level(1.0, "limit", alarm=True)]
    return strip_plot("Pull force over its limit", "times the limit", counted, limit)
