"""The paper of a daily check."""

from collections.abc import Mapping, Sequence

from markupsafe import Markup

from calibration.saying import say
from station.crimp.units import NOTHING, milliohm, newton
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.papers.frame import Paper, Section, job_facts, joined, paper, sentences, table
from station.jobs.papers.plots import Level, Row, strip_plot
from station.ledger.entries import NEST_OUTCOME
from station.ledger.rows import JobRecord, SampleRow, StepTaken

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
    plan = DailyCheckPlan.model_validate(record.begun.plan)
    found = record.steps_named(NEST_OUTCOME)
    ended = record.ended
    by_id = {row.sample_id: row for row in rows}
    sections = [
        *(Section(_place(taken), _nest(taken, by_id)) for taken in found),
        Section("Plan in force", sentences(plan.reasoning)),
    ]
    word = "still open" if ended is None else ended.outcome
    return paper(
        say("Daily check"),
        OUTCOME_WORDS.get(word, word),
        [
            ("Nests", "; ".join(_place(taken) for taken in found) or NOTHING),
            *job_facts(record, plan),
        ],
        sections,
        marks=[*marks, *([] if ended else ["Not ended: how it stands now."])],
        size=size,
    )


def _place(taken: StepTaken) -> str:
    content = taken.step.content
    return f"{content['tool']}, nest {content['nest']}"


def _nest(taken: StepTaken, by_id: dict[str, SampleRow]) -> Markup:
    content = taken.step.content
    word = str(content["outcome"])
    counted = [by_id[name] for name in _names(content.get("samples")) if name in by_id]
    voids = [by_id[name] for name in _names(content.get("voids")) if name in by_id]
    parts = [
        Markup("<p><strong>{}</strong></p>").format(OUTCOME_WORDS.get(word, word)),
        sentences(_names(content.get("reasons"))),
        strip_plot("Pull force over its limit", "times the limit", _ratios(counted), [
            Level(1.0, "limit", alarm=True)
        ]),
        table(
            ("Sample", "Person", "Wires", "Counted as", "Pull", "Limit", "Joint"),
            [_cells(row, row.measured_verdict or row.verdict or "") for row in counted]
            + [_cells(row, "void, replaced") for row in voids],
            numbers=3,
        ),
    ]  # fmt: skip
    since = content.get("since_last_good")
    if isinstance(since, dict):
        parts.append(_since(since))
    return joined(parts)


def _names(found: object) -> list[str]:
    return [str(item) for item in found] if isinstance(found, list) else []


def _ratios(rows: Sequence[SampleRow]) -> list[Row]:
    values = [row.peak_n / row.pull_limit_n for row in rows if row.peak_n and row.pull_limit_n]
    return [Row("samples that counted", values)] if values else []


def _cells(row: SampleRow, counted_as: str) -> tuple[str, ...]:
    return (
        f"{row.at_utc.astimezone():%Y-%m-%d %H:%M}",
        row.person,
        " + ".join(row.wires),
        counted_as,
        newton(row.peak_n),
        newton(row.pull_limit_n),
        milliohm(row.splice_ohm),
    )


def _since(since: Mapping[str, object]) -> Markup:
    """What went through the nest since its last good check: to be looked at again."""
    work = since.get("work")
    lines = [
        f"{line.get('day')}: {line.get('work_order')} {line.get('note') or ''}".strip()
        for line in (work if isinstance(work, list) else [])
        if isinstance(line, dict)
    ]
    last = since.get("last_good_check") or "never"
    count = len(_names(since.get("samples")))
    return joined(
        [
            Markup(
                "<p>Since its last good check ({}): {} samples, {} work orders. All of them stand "
                "under Tools on the page.</p>"
            ).format(last, count, len(lines)),
            sentences(lines),
        ]
    )
