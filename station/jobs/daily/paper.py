"""The paper of a daily check."""

from collections.abc import Iterable, Sequence
from typing import Unpack

from markupsafe import Markup

from station.crimp.verdict import verdict_words
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.papers.frame import Framing, paper
from station.jobs.papers.looks import LookRow
from station.jobs.papers.plots import Level, Row, strip_plot
from station.ledger.entries import NEST_OUTCOME, CriterionResult
from station.ledger.rows import JobRecord, SampleRow

OUTCOME_WORDS = {
    "released": "RELEASED FOR THE DAY",
    "watch": "IN USE, ON WATCH",
    "held": "HELD: DO NOT USE",
    "broken off": "BROKEN OFF",
}


def daily_paper(
    record: JobRecord,
    rows: Sequence[SampleRow],
    criteria: Iterable[CriterionResult],
    looks: Sequence[LookRow],
    **framing: Unpack[Framing],
) -> str:
    """A daily check as one HTML file.

    Parameters
    ----------
    rows
        The samples that counted, or were void, for its findings; those of the job among them.
    criteria
        Of those samples.
    """
    word = "still open" if record.ended is None else record.ended.outcome
    return paper(
        "daily",
        "Daily check",
        OUTCOME_WORDS.get(word, word),
        record,
        DailyCheckPlan.model_validate(record.begun.plan),
        criteria,
        found=[taken.step.content for taken in record.steps_named(NEST_OUTCOME)],
        rows=rows,
        looks=looks,
        words=OUTCOME_WORDS,
        counted_as=_counted_as,
        force_plot=_force_plot,
        **framing,
    )


def _counted_as(row: SampleRow) -> str:
    counted = row.measured_verdict or row.verdict or ""
    return verdict_words(counted, row.not_judged, row.only).lower()


def _force_plot(rows: Sequence[SampleRow]) -> Markup:
    values = [row.peak_n / row.pull_limit_n for row in rows if row.peak_n and row.pull_limit_n]
    counted = [Row("samples that counted", values)] if values else []
    limit = [Level(1.0, "limit", alarm=True)]
    return strip_plot("Pull force over its limit", "times the limit", counted, limit)
