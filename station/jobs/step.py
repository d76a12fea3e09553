"""How a job stands: what is to be done next, and what it has come to. The same for every job.

A course is worked out anew from the record each time it is asked for, so that a job goes on where
it was after the page was closed, the station was killed, another day began or another person came.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, cast

from pydantic import JsonValue

from station.ledger.entries import JobEnded
from station.ledger.rows import JobRecord


@dataclass(frozen=True, slots=True)
class Todo:
    """One thing to do next.

    Attributes
    ----------
    kind
        ``sample``: make one at the bench; ``step``: do and enter something else.
    step
        Its name in the plan, for the entry.
    sentence
        What to do, for the person at the bench.
    left
        How many times.
    tool, nest, connector, wires
        What a sample must be; None or empty where the person chooses.
    """

    kind: Literal["sample", "step"]
    step: str
    sentence: str
    left: int = 1
    tool: str | None = None
    nest: str | None = None
    connector: str | None = None
    wires: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a job has come to, with its reasons in plain words."""

    word: str
    reasons: tuple[str, ...]
    figures: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Course:
    """How a job stands.

    Attributes
    ----------
    todos
        What is left, first things first; empty when nothing is.
    lines
        How each part stands, in words.
    outcome
        What ending the job would record; None while something is left to do.
    """

    todos: tuple[Todo, ...]
    lines: tuple[str, ...]
    outcome: Outcome | None = None

    @property
    def next(self) -> Todo | None:
        """What to do now."""
        return self.todos[0] if self.todos else None


Content = dict[str, JsonValue]


def job_ended(record: JobRecord, outcome: Outcome) -> JobEnded:
    """The entry that ends a job with this outcome."""
    return JobEnded(
        job_id=record.row.job_id,
        outcome=outcome.word,
        reasons=outcome.reasons,
        figures=cast(Content, dict(outcome.figures)),
        demo=record.begun.demo,
    )


@dataclass(frozen=True, slots=True)
class NextStep:
    """One thing to do.

    Attributes
    ----------
    name
        Short and stable: what a command or a form names.
    words
        What the person does, in a sentence.
    about
        What it is about: a nest, a joint key, a code; empty where that is clear.
    blocked
        True where the steps after it cannot be done before it.
    """

    name: str
    words: str
    about: str = ""
    blocked: bool = False
