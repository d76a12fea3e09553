"""The way of a certification: scope, who may do what while it is blind, and what comes next.

While anything is to be judged, nothing that is said of one job may depend on which codes are its
own: a count that falls when a code is judged would tell whose it was. All open certifications of a
bench are therefore one pool of codes, and only the pool's count is shown.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Self

from calibration.saying import say
from station.jobs.certification.judge import CertificationResult
from station.jobs.certification.plan import CertificationPlan, Task
from station.jobs.step import Step
from station.ledger.entries import Joint
from station.shop.rights import folded

CODES = "codes"
KEY_SHOWN = "key_shown"
JUDGED = "judged"
SIGNED = "signed"
ACKNOWLEDGED = "acknowledged"


@dataclass(frozen=True, slots=True)
class CertificationScope:
    """Whom and what a certification is about.

    Attributes
    ----------
    nests
        Which nest of the tool serves which colour band.
    guard
        Guard factor of the verdicts when the job began.
    """

    candidate: str
    tool: str
    nests: Mapping[str, str]
    limit_set: str
    guard: float

    def as_content(self) -> dict[str, Any]:
        """As the record keeps it."""
        return asdict(self)

    @classmethod
    def from_content(cls, content: Mapping[str, Any]) -> Self:
        """From the record."""
        return cls(**content)

    def joint(self, task: Task) -> Joint:
        """The joint that a task makes with this tool."""
        return Joint(
            connector=task.connector,
            wires=task.wires,
            material=task.material,
            tool=self.tool,
            nest=self.nests[task.band],
        )


@dataclass(frozen=True, slots=True)
class Blind:
    """Who may not judge, over all open certifications of a bench.

    Attributes
    ----------
    candidates
        Of any open certification: to refuse them one code only would tell whose it is.
    saw_a_key
        Those to whom a key was shown, to label the samples.
    """

    candidates: frozenset[str]
    saw_a_key: frozenset[str]

    @classmethod
    def of(cls, candidates: Iterable[str], saw_a_key: Iterable[str]) -> Self:
        """From names."""
        return cls(frozenset(map(folded, candidates)), frozenset(map(folded, saw_a_key)))

    def is_candidate(self, person: str) -> bool:
        """Whether samples of this person may be among those to be judged."""
        return folded(person) in self.candidates

    def refusal(self, person: str) -> str | None:
        """Why a person may not judge or measure coded samples; None where they may."""
        if self.is_candidate(person):
            return say(
                "{person} is a candidate of an open certification and may not judge or "
                "measure coded samples, whosever they are: somebody else must.",
                person=person,
            )
        if folded(person) in self.saw_a_key:
            return say(
                "{person} has seen which code is whose and may not judge or measure "
                "coded samples: somebody else must.",
                person=person,
            )
        return None


@dataclass(frozen=True, slots=True)
class Signed:
    """Where the signatures stand."""

    by: str | None = None
    acknowledged: bool = False


def certification_steps(
    plan: CertificationPlan,
    result: CertificationResult,
    *,
    labelled: bool,
    waiting: int,
    own_waiting: bool,
    signed: Signed,
    last_sample_at: datetime | None,
    now: datetime,
) -> list[Step]:
    """What comes next.

    Parameters
    ----------
    labelled
        Whether somebody was shown the key of the present sitting.
    waiting
        Codes to be judged in the whole pool.
    own_waiting
        Whether any of them is this job's.
    last_sample_at
        When the last sample of this job was finished.
    """
    if not labelled:
        words = say(
            "The candidate makes the samples task by task; somebody who will not judge "
            "signs in, has the key shown and labels them with their codes."
        )
        return [Step("key", words)]
    if own_waiting:
        words = say(
            "Judge and measure the coded samples: {waiting} wait on this bench, of everybody.",
            waiting=waiting,
        )
        return [Step("judge", words)]
    if result.outcome == "re_sit":
        return [_resit_step(plan, result, last_sample_at, now)]
    if signed.by is None:
        return [Step("sign", say("Everything is judged: a lead, not the candidate, signs."))]
    if result.outcome == "certified" and not signed.acknowledged:
        return [Step("acknowledge", say("The candidate has seen the outcome and says so."))]
    return [Step("end", say("Signed: end the certification."))]


def earliest_resit(plan: CertificationPlan, last_sample_at: datetime | None) -> datetime | None:
    """From when a re-sit may begin; None where nothing was measured."""
    if last_sample_at is None:
        return None
    return last_sample_at + timedelta(days=plan.resit_after_days)


def _resit_step(
    plan: CertificationPlan,
    result: CertificationResult,
    last_sample_at: datetime | None,
    now: datetime,
) -> Step:
    titles = "; ".join(plan.task(task).title for task in result.may_resit)
    earliest = earliest_resit(plan, last_sample_at)
    if earliest is not None and now < earliest:
        words = say(
            "Practise; from {earliest:%Y-%m-%d %H:%M} on, once: {titles}.",
            earliest=earliest.astimezone(),
            titles=titles,
        )
        return Step("resit", words, blocked=True)
    return Step("resit", say("A lead begins the one re-sit: {titles}.", titles=titles))
