"""Hints at what may have gone wrong with a crimp: what was found, and what to look at next.

The rules are a data file with the standing "common practice, no source". A hint is never a verdict
and never changes one.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import model_validator

from station.crimp.in_force import Facts
from station.crimp.pull.reduce import FAILURE_MODES

Level = Literal["low", "ok", "high"]

UNUSUAL_SCORE = 2.5
"""Standard scores from the joint's baseline beyond which a value counts as low or high."""


class Signs(Facts):
    """What a rule looks for; an empty list says nothing about that kind of finding."""

    force: tuple[Level, ...] = ()
    resistance: tuple[Level, ...] = ()
    failure_mode: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    wires: tuple[Literal["unequal"], ...] = ()

    @model_validator(mode="after")
    def _modes_exist(self) -> "Signs":
        for mode in self.failure_mode:
            if mode not in FAILURE_MODES:
                raise ValueError(f"there is no failure mode {mode!r}")
        return self


class Cause(Facts):
    """One rule of the data file."""

    id: str
    hint: str
    look_at: str
    must: Signs
    speaks_for: Signs


class CauseFile(Facts):
    """The data file."""

    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """What is known of a sample, in words; None where it is not known.

    ``faults`` are the identifiers of the checklist items that were answered with no; ``wires`` says
    where the wires of a joint are of unequal size.
    """

    force: Level | None = None
    resistance: Level | None = None
    failure_mode: str | None = None
    faults: frozenset[str] = frozenset()
    wires: Literal["unequal"] | None = None


@dataclass(frozen=True, slots=True)
class Hint:
    """A likely cause, what to look at next, and how many signs speak for it."""

    cause: str
    hint: str
    look_at: str
    signs: int


def level(verdict: str | None, score: float | None, *, bad: Level) -> Level | None:
    """Whether a value is low, ok or high, from its verdict and its score against the baseline.

    Parameters
    ----------
    verdict
        Of the criterion; None where it was not judged.
    score
        Standard score, None without a baseline.
    bad
        The direction that fails: ``low`` for force, ``high`` for resistance.
    """
    if verdict == "fail":
        return bad
    if score is not None and abs(score) > UNUSUAL_SCORE:
        return "low" if score < 0.0 else "high"
    return None if verdict is None and score is None else "ok"


def hints(findings: Findings, causes: Iterable[Cause]) -> list[Hint]:
    """Hints that fit the findings, those with most signs first."""
    found = [
        Hint(cause.id, cause.hint, cause.look_at, _count(cause, findings))
        for cause in causes
        if sum(map(bool, _parts(cause.must))) == sum(_matches(cause.must, findings))
    ]
    return sorted(found, key=lambda hint: -hint.signs)


def _count(cause: Cause, findings: Findings) -> int:
    must, speaks_for = _matches(cause.must, findings), _matches(cause.speaks_for, findings)
    return sum(must) + sum(speaks_for)


def _matches(signs: Signs, findings: Findings) -> Sequence[bool]:
    return (
        findings.force in signs.force,
        findings.resistance in signs.resistance,
        findings.failure_mode in signs.failure_mode,
        bool(findings.faults & set(signs.faults)),
        findings.wires in signs.wires,
    )


def _parts(signs: Signs) -> Sequence[tuple[str, ...]]:
    return (signs.force, signs.resistance, signs.failure_mode, signs.faults, signs.wires)
