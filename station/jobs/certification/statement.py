"""What a certification says in plain words: what was shown, what was not, what to practise."""

import calendar
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from calibration.saying import say
from station.crimp.causes import Hint
from station.jobs.certification.judge import CertificationResult
from station.jobs.certification.plan import CertificationPlan
from station.jobs.sample import JobSample
from station.ledger.entries import CodeFor

MAX_PRACTICE = 5
"""Hints that are named: a longer list helps nobody."""


def statement(plan: CertificationPlan, result: CertificationResult) -> list[str]:
    """What the samples show and what they do not, in sentences."""
    if result.bound is None:
        return [say("Nothing was measured, so nothing is shown.")]
    bad = 1.0 - result.bound
    return [
        say(
            "{conforming} of {n} crimps conformed: every limit passed and no critical fault.",
            conforming=result.conforming,
            n=result.n,
        ),
        say(
            "With {confidence:.0%} confidence, at least {bound:.1%} of the crimps that "
            "this person makes in this way conform ({share:.0%} was demanded).",
            confidence=plan.confidence,
            bound=result.bound,
            share=plan.share,
        ),
        say(
            "It is not shown that none will fail: up to {bad:.1%}, {one_in}, could be bad, and in "
            "{one_in_2} such examinations even the stated share is too high.",
            bad=bad,
            one_in=_one_in(bad),
            one_in_2=_one_in(1.0 - plan.confidence),
        ),
        say(
            "It holds for the families, gauges and tools named here, for new wire at a "
            "bench; it says nothing of crimps made behind a dashboard, in the cold, or "
            "with another tool."
        ),
    ]


def _one_in(share: float) -> str:
    return say("about one in {n}", n=max(1, round(1.0 / share))) if share > 0.0 else say("none")


@dataclass(frozen=True, slots=True)
class Practice:
    """Something to practise: a likely cause, and in which tasks its signs were seen."""

    hint: str
    look_at: str
    samples: int
    tasks: tuple[str, ...]


def practice(
    plan: CertificationPlan,
    key: Mapping[str, CodeFor],
    samples: Sequence[JobSample],
    hints: Mapping[str, Sequence[Hint]],
) -> list[Practice]:
    """What to practise, most frequent first: the likeliest hint of each sample that had one.

    Parameters
    ----------
    hints
        By sample id; those of controls and voids are not the candidate's and are left out.
    """
    first: Counter[tuple[str, str]] = Counter()
    tasks: dict[tuple[str, str], list[str]] = {}
    for sample in samples:
        slot = key.get(sample.step or "")
        found = hints.get(sample.sample_id, ())
        if slot is None or slot.part == "control" or sample.void or not found:
            continue
        what = (found[0].hint, found[0].look_at)
        first[what] += 1
        tasks.setdefault(what, []).append(plan.task(slot.task).title)
    return [
        Practice(*what, count, tuple(dict.fromkeys(tasks[what])))
        for what, count in first.most_common(MAX_PRACTICE)
    ]


def strengths(result: CertificationResult) -> list[str]:
    """What went well, in sentences."""
    clean = [
        say("Without any fault: {title}.", title=task.task.title)
        for task in result.tasks
        if task.state == "passed" and task.minor == 0 and task.conforming == task.n
    ]
    even = [
        say(
            "As even as the shop's own in {what} ({ratio:.1f} times).", what=what, ratio=found.ratio
        )
        for what, found in (
            (say("pull force"), result.force_spread),
            (say("resistance"), result.resistance_spread),
        )
        if found is not None and found.ratio <= 1.1
    ]
    return clean + even


def valid_until(day: date, months: int) -> date:
    """The last day of a certificate: so many months on, the month's last day where it is shorter.

    Raises
    ------
    ValueError
        Beyond the last year that a date can hold.
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(day.day, last))


@dataclass(frozen=True, slots=True)
class Held:
    """A certificate of a person: when it ends and its number in the record."""

    person: str
    job_id: str
    title: str
    until: date
    record_hash: str
    remind_days: int

    def state(self, today: date) -> str:
        """``valid``, ``ends soon`` or ``expired``."""
        if today > self.until:
            return "expired"
        return say("ends soon") if (self.until - today).days <= self.remind_days else "valid"


def latest_held(held: Iterable[Held]) -> dict[str, Held]:
    """The certificate of each person that ends last."""
    found: dict[str, Held] = {}
    for one in held:
        if one.person not in found or one.until > found[one.person].until:
            found[one.person] = one
    return found


@dataclass(frozen=True, slots=True)
class Attempt:
    """One ended certification of a person, for the curve of their learning."""

    day: date
    outcome: str
    bound: float | None
    """Of the share of conforming crimps, as it was shown; None where nothing was."""
