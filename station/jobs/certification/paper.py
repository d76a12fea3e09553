"""The paper of a certification: a certificate where it was passed, else what to practise."""

from collections.abc import Mapping, Sequence

from markupsafe import Markup

from calibration.saying import say
from station.crimp.causes import Hint
from station.crimp.connectors import ConnectorBook
from station.crimp.units import NOTHING
from station.errors import BadInput
from station.jobs.certification.record import Certification
from station.jobs.certification.statement import Attempt, practice, statement, strengths
from station.jobs.certification.steps import JUDGED, KEY_SHOWN
from station.jobs.papers.frame import Paper, Section, job_facts, joined, paper, sentences, table
from station.jobs.papers.plots import Level, Row, curve, strip_plot
from station.jobs.step import OUTCOME_WORDS


def certification_paper(
    job: Certification,
    book: ConnectorBook,
    hints: Mapping[str, Sequence[Hint]],
    attempts: Sequence[Attempt],
    *,
    marks: Sequence[str] = (),
    size: Paper = "a4",
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
    ended = job.record.ended
    word = job.result.outcome if ended is None else ended.outcome
    return paper(
        f"{job.plan.title}: {job.scope.candidate}",
        OUTCOME_WORDS[word],
        _facts(job, book),
        _sections(job, hints, attempts),
        marks=[*marks, *([] if ended else ["Not ended: how it stands now, unsigned."])],
        signatures=_signatures(job),
        record_hash=None if ended is None else ended.record_hash,
        size=size,
    )


def _facts(job: Certification, book: ConnectorBook) -> list[tuple[str, str]]:
    ended = job.record.ended
    families = dict.fromkeys(book.connectors[task.connector].family for task in job.plan.tasks)
    gauges = dict.fromkeys(wire for task in job.plan.tasks for wire in task.wires)
    until = None if ended is None else ended.valid_until
    return [
        ("Name", job.scope.candidate),
        ("Families", ", ".join(families)),
        ("Gauges", ", ".join(gauges)),
        ("Tool", job.scope.tool),
        (say("Limit set"), f"{job.scope.limit_set}, guard factor {job.scope.guard:g}"),
        *job_facts(
            job.record,
            job.plan,
            (
                say("Valid until"),
                NOTHING if until is None else f"{until}, then another certification",
            ),
        ),
    ]


def _sections(
    job: Certification, hints: Mapping[str, Sequence[Hint]], attempts: Sequence[Attempt]
) -> list[Section]:
    ended = job.record.ended
    reasons = list(job.result.reasons if ended is None else ended.reasons)
    found = [
        *([Section("Why", sentences(reasons))] if reasons else []),
        Section(
            "What this shows, and what it does not", sentences(statement(job.plan, job.result))
        ),
        Section("Tasks", joined([_tasks(job), task_plot(job)])),
    ]
    if good := strengths(job.result):
        found.append(Section("Strengths", sentences(good)))
    if lines := practice_lines(job, hints):
        found.append(Section(say("What to practise"), sentences(lines)))
    if attempts:
        found.append(Section("Attempts", attempts_plot(job, attempts)))
    found.append(Section("How it was judged", sentences(_judging(job))))
    found.append(Section("Plan in force", sentences(job.plan.reasoning)))
    return found


def practice_lines(job: Certification, hints: Mapping[str, Sequence[Hint]]) -> list[str]:
    """What to practise, in sentences; hints from common practice, no verdicts."""
    return [
        f"{item.hint} Look at: {item.look_at} ({item.samples} of the samples, in "
        f"{'; '.join(item.tasks)}.)"
        for item in practice(job.plan, job.key, job.samples, hints)
    ]


def _tasks(job: Certification) -> Markup:
    rows = [
        [
            result.task.title + (say(", re-sat") if result.sitting > 1 else ""),
            result.state,
            str(result.n),
            str(result.conforming),
            str(result.minor),
            str(result.voids),
        ]
        for result in job.result.tasks
    ]
    return table(("Task", "State", "n", "Conform", say("Minor faults"), "Void"), rows, numbers=4)


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


def _judging(job: Certification) -> list[str]:
    result = job.result
    shown = NOTHING if result.bound is None else f"{result.bound:.1%}"
    judges = dict.fromkeys(taken.person for taken in job.record.steps_named(JUDGED))
    labelled = dict.fromkeys(taken.person for taken in job.record.steps_named(KEY_SHOWN))
    found = [
        f"Under coded numbers. Labelled by {', '.join(labelled) or NOTHING}; looked at by "
        f"{', '.join(judges) or NOTHING}, who had not seen the key.",
        f"Mixed in: {result.controls} controls by a certified hand, "
        f"{result.controls_conforming} of them judged good; not counted.",
        f"Conforming share shown: {shown}; demanded: {job.plan.share:.0%}, with "
        f"{job.plan.confidence:.0%} confidence.",
    ]
    for what, spread in (
        (say("pull force"), result.force_spread),
        ("resistance", result.resistance_spread),
    ):
        found.append(
            f"Spread of {what}: no baseline to compare with."
            if spread is None
            else f"Spread of {what}: {spread.ratio:.2f} times the shop's own, at least "
            f"{spread.lower_bound:.2f} times ({job.plan.spread_ratio_max:g} allowed)."
        )
    return found


def _signatures(job: Certification) -> list[str]:
    signed = job.signed
    if signed.by is None:
        return []
    lines = [f"{signed.by}, lead, signs the outcome"]
    if signed.acknowledged:
        lines.append(f"{job.scope.candidate}, has seen the outcome")
    return lines
