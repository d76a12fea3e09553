"""The paper of a certification: a certificate where it was passed, else what to practise."""

from collections.abc import Mapping, Sequence
from typing import Unpack

from markupsafe import Markup

from station.crimp.causes import Hint
from station.crimp.connectors import ConnectorBook
from station.errors import BadInput
from station.jobs.certification.record import Certification
from station.jobs.certification.statement import Attempt, practice, statement, strengths
from station.jobs.papers.frame import Framing, paper
from station.jobs.papers.looks import LookRow
from station.jobs.papers.plots import Level, Row, curve, strip_plot
from station.jobs.step import OUTCOME_WORDS


def certification_paper(
    job: Certification,
    book: ConnectorBook,
    hints: Mapping[str, Sequence[Hint]],
    attempts: Sequence[Attempt],
    looks: Sequence[LookRow],
    **framing: Unpack[Framing],
) -> str:
    """A certification as one HTML file.

    Parameters
    ----------
    hints
        Hints at causes by sample id.
    attempts
        Ended certifications of the candidate, oldest first, this one among them once it has ended.

    Raises
    ------
    BadInput
        It is being judged: a paper would tell which samples are whose.
    """
    if not job.shown:
        raise BadInput(
            "The samples of this certification are being judged under their codes: there is a "
            "paper of it when all are judged."
        )
    ended, tasks = job.record.ended, job.plan.tasks
    return paper(
        "certification",
        f"{job.plan.title}: {job.scope.candidate}",
        OUTCOME_WORDS[job.result.outcome if ended is None else ended.outcome],
        job.record,
        job.plan,
        (found for sample in job.samples for found in sample.criteria),
        rows=job.rows,
        job=job,
        families=dict.fromkeys(
            book.connectors[task.connector].family
            for task in tasks
            if task.connector in book.connectors
        ),
        gauges=dict.fromkeys(wire for task in tasks for wire in task.wires),
        statement=statement,
        strengths=strengths,
        practice=practice_lines(job, hints),
        task_plot=task_plot,
        attempts=attempts,
        looks=looks,
        attempts_plot=attempts_plot,
        **framing,
    )


def practice_lines(job: Certification, hints: Mapping[str, Sequence[Hint]]) -> list[str]:
    """What to practise, in sentences; hints from common practice, no verdicts."""
    return [
        f"{item.hint} Look at: {item.look_at} ({item.samples} of the samples, in "
        f"{'; '.join(item.tasks)}.)"
        for item in practice(job.plan, job.key, job.samples, hints)
    ]


def task_plot(job: Certification) -> Markup:
    """Force over limit of every sample that counts, by task."""
    rows = []
    for task in job.plan.tasks:
        values = [
            ratio
            for sample in job.samples
            if not sample.void
            and job.key[sample.step or ""].task == task.id
            and job.key[sample.step or ""].part != "control"
            and (ratio := sample.force_ratio) is not None
        ]
        rows.append(Row(task.title, values))
    if not any(row.values for row in rows):
        return Markup("")
    limit = [Level(1.0, "limit", alarm=True)]
    return strip_plot("pull force over its limit, by task", "times the limit", rows, limit)


def attempts_plot(job: Certification, attempts: Sequence[Attempt]) -> Markup:
    """The shown share of conforming crimps over the person's attempts."""
    points = [
        (f"{one.day}, {OUTCOME_WORDS[one.outcome].lower()}", 100.0 * one.bound)
        for one in attempts
        if one.bound is not None
    ]
    demanded = Level(100.0 * job.plan.share, f"{job.plan.share:.0%} demanded", alarm=True)
    words = f"share shown with {job.plan.confidence:.0%} confidence, by attempt"
    return curve(words, " %", points, demanded)
