"""Jobs as documents and as lines that people read."""

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import click

from station.jobs.daily.judge import DueNest
from station.jobs.step import Course
from station.ledger.job_queries import JobRecord, JobRow


def row_document(row: JobRow) -> dict[str, Any]:
    """A job on one line."""
    return {
        "job_id": row.job_id,
        "job": row.job,
        "plan": row.plan_id,
        "person": row.person,
        "begun_at": row.at_utc.isoformat(),
        "ended": row.ended_seq is not None,
        "outcome": row.outcome,
    }


def job_document(record: JobRecord, course: Course) -> dict[str, Any]:
    """All that is to be said of a job."""
    ended = record.ended
    return row_document(record.row) | {
        "reasons": None if ended is None else list(ended.reasons),
        "figures": None if ended is None else ended.figures,
        "lines": list(course.lines),
        "todos": [asdict(todo) for todo in course.todos],
        "samples": [
            {
                "sample_id": row.sample_id,
                "step": row.step,
                "nest": row.nest,
                "verdict": row.verdict,
                "peak_n": row.peak_n,
                "splice_ohm": row.splice_ohm,
            }
            for row in record.samples
        ],
        "steps": [
            {"step": taken.step.step, "person": taken.person, "content": taken.step.content}
            for taken in record.steps
        ],
    }


def job_lines(record: JobRecord, course: Course) -> Iterator[str]:
    """How a job stands."""
    row = record.row
    yield f"{row.job.replace('_', ' ')} {row.job_id}, plan {row.plan_id}, begun by {row.person}"
    for line in course.lines:
        yield f"    {line}"
    if course.next is not None:
        yield f"Next: {course.next.sentence}"


def due_document(found: DueNest) -> dict[str, Any]:
    """A nest and whether it is due."""
    return {
        "tool": found.last.tool,
        "nest": found.last.nest,
        "due": found.due,
        "held": found.last.held is not None,
        "reason": found.reason,
    }


def echo_lines(lines: Iterator[str]) -> None:
    """Print lines on standard output."""
    for line in lines:
        click.echo(line)
