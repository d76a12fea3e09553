"""What is next of a daily check, what it has come to, and which nests are due. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from calibration.saying import join, say
from station.jobs.daily.judge import STEP_FIRST, Nest, NestProgress, OutcomeWord
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.step import JobState, Outcome, Step

_WORST: tuple[OutcomeWord, ...] = ("held", "watch", "released")


def state_of(progress: Sequence[NestProgress], found: Mapping[Nest, OutcomeWord]) -> JobState:
    """How a check of some nests stands.

    Parameters
    ----------
    progress
        Of the nests that are not settled yet.
    found
        Outcomes on record, by tool and nest.
    """
    steps = tuple(_step(item) for item in progress if item.finding.outcome is None)
    lines = (*map(_line_found, found.items()), *map(_line, progress))
    if steps:
        return JobState(steps, lines)
    now = {item.nest.key: word for item in progress if (word := item.finding.outcome) is not None}
    return JobState((), lines, outcome_of({**found, **now}))


def outcome_of(words: Mapping[Nest, OutcomeWord], given_up: Sequence[Nest] = ()) -> Outcome:
    """The outcome of a check from those of its nests: the worst of them.

    Parameters
    ----------
    given_up
        Nests that were not checked to the end; with any, the check is broken off.
    """
    left = [
        say(
            "{tool}, nest {nest}: not checked to the end; its samples count in the next check.",
            tool=tool,
            nest=nest,
        )
        for tool, nest in given_up
    ]
    nests = [{"tool": tool, "nest": nest, "outcome": word} for (tool, nest), word in words.items()]
    worst: str = next((word for word in _WORST if word in words.values()), "released")
    if given_up and worst != "held":
        worst = say("broken off")
    return Outcome(worst, (*map(_line_found, words.items()), *left), {"nests": nests})


def _line_found(found: tuple[Nest, OutcomeWord]) -> str:
    (tool, nest), word = found
    return say("{tool}, nest {nest}: {word}.", tool=tool, nest=nest, word=say(word))


def _step(item: NestProgress) -> Step:
    finding = item.finding
    nest = {"tool": item.nest.tool, "nest": item.nest.nest}
    ask = say("Make 1 sample with {tool}, nest {nest}, in the gauge at hand.", **nest)
    if finding.missing != 1:
        ask = say(
            "Make {missing} samples with {tool}, nest {nest}, in the gauge at hand.",
            missing=finding.missing,
            **nest,
        )
    if finding.stage != STEP_FIRST:
        ask = join((ask, say("All samples of both stages count.")))
    made, (tool, name) = len(item.counted), item.nest.key
    return Step(finding.stage, ask, left=finding.missing, made=made, tool=tool, nest=name)


def _line(item: NestProgress) -> str:
    finding = item.finding
    if finding.outcome is not None:
        return _line_found((item.nest.key, finding.outcome))
    line = say(
        "{tool}, nest {nest}: {stage}, {made} made, {missing} to go.",
        tool=item.nest.tool,
        nest=item.nest.nest,
        stage=say(finding.stage),
        made=len(item.counted),
        missing=finding.missing,
    )
    return join((line, *finding.reasons))


@dataclass(frozen=True, slots=True)
class LastCheck:
    """What is known of a nest when it is asked whether it is due.

    Attributes
    ----------
    checked_on, outcome
        Of its last finished check; None where there was none.
    serviced_since, open_job
        Whether it was serviced since, and the job in which it is being checked.
    held
        Why it is held; None where it is not.
    """

    tool: str
    nest: str
    checked_on: date | None = None
    outcome: str | None = None
    serviced_since: bool = False
    open_job: str | None = None
    held: str | None = None


@dataclass(frozen=True, slots=True)
class DueNest:
    """A nest and why it is due, or why it cannot be used."""

    last: LastCheck
    due: bool
    reason: str


def due_today(plan: DailyCheckPlan, nests: Sequence[LastCheck], today: date) -> list[DueNest]:
    """Say for every nest whether it is due and why: held ones first, then due ones."""
    found = [_due(plan, nest, today) for nest in nests]
    return sorted(found, key=lambda item: (item.last.held is None, not item.due))


def _due(plan: DailyCheckPlan, nest: LastCheck, today: date) -> DueNest:
    if nest.held is not None:
        return DueNest(nest, False, say("Held: {held}", held=nest.held))
    if nest.open_job is not None:
        return DueNest(nest, True, say("Its check was begun and is not finished."))
    checked_on = nest.checked_on
    if checked_on is None:
        return DueNest(nest, True, say("It was never checked."))
    if nest.serviced_since:
        words = say("It was serviced since its check on {checked_on}.", checked_on=checked_on)
        return DueNest(nest, True, words)
    if (today - checked_on).days < plan.every_days:
        outcome = say(nest.outcome or "")
        words = say("Checked on {checked_on}: {outcome}.", checked_on=checked_on, outcome=outcome)
        return DueNest(nest, False, words)
    words = say("Its last check was on {checked_on}.", checked_on=checked_on)
    if nest.outcome == "watch":
        words = say(
            "Its last check was on {checked_on} and left it on watch.", checked_on=checked_on
        )
    return DueNest(nest, True, words)
