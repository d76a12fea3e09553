"""The way of a tool validation: from what is on record to what comes next.

A pure function of the plan, the scope and the entries, so that it does not matter when, where and
by whom the job is taken up again.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Self

from calibration.saying import join, say
from calibration.standing import INSTRUMENT_WORDS
from station.jobs.step import Step
from station.jobs.validation.judge import GaugeLook, JointResult, ValidationResult, joint_words
from station.jobs.validation.plan import ToolValidationPlan
from station.ledger.entries import Joint
from station.shop.checks import LastCheck

NEST_GAUGE = "nest_gauge"
CRIMP_HEIGHT = "crimp_height"
GAUGE_CHECK = "gauge_check"


@dataclass(frozen=True, slots=True)
class ValidationScope:
    """What a validation is about.

    Attributes
    ----------
    replaces
        The tool whose place it takes, to compare with; None where there is none.
    guard
        Guard factor of the verdicts when the job began.
    """

    tool: str
    joints: tuple[Joint, ...]
    limit_set: str | None
    guard: float
    replaces: str | None = None

    def as_content(self) -> dict[str, Any]:
        """As the record keeps it."""
        return asdict(self) | {"joints": [joint.model_dump(mode="json") for joint in self.joints]}

    @classmethod
    def from_content(cls, content: Mapping[str, Any]) -> Self:
        """From the record."""
        joints = tuple(Joint.model_validate(joint) for joint in content["joints"])
        return cls(**{**content, "joints": joints})

    @property
    def nests(self) -> list[str]:
        """Nests of the joints, each once."""
        return list(dict.fromkeys(joint.nest for joint in self.joints))

    def joint(self, key: str) -> Joint | None:
        """A joint by its key."""
        return next((joint for joint in self.joints if joint.key == key), None)


def look_of(step: str, content: Mapping[str, Any]) -> GaugeLook | None:
    """A gauge look from a step of the record; None for any other step."""
    if step == NEST_GAUGE:
        nest = str(content["nest"])
        return GaugeLook("nest_gauge", nest, *_nest_look(nest, content))
    if step == CRIMP_HEIGHT:
        return GaugeLook("crimp_height", str(content["joint_key"]), *_height_look(content))
    return None


def _nest_look(nest: str, content: Mapping[str, Any]) -> tuple[bool | None, str]:
    gauge = content.get("gauge")
    if not gauge:
        return None, say("The shop has no go/no-go gauge of nest {nest}.", nest=nest)
    go, no_go = bool(content["go_enters"]), bool(content["no_go_stops"])
    return go and no_go, say(
        "Nest {nest} with gauge {gauge}: {go}, {no_go}.",
        nest=nest,
        gauge=gauge,
        go=say("go enters") if go else say("go does NOT enter"),
        no_go=say("no-go stops") if no_go else say("no-go does NOT stop"),
    )


def _height_look(content: Mapping[str, Any]) -> tuple[bool | None, str]:
    heights = content.get("heights_mm")
    if not heights:
        return None, say("The shop does not measure this crimp's height.")
    lower, upper = float(content["lower_mm"]), float(content["upper_mm"])
    good = all(lower <= height <= upper for height in heights)
    return good, say(
        "Crimp height {shown} mm, {within} {lower:.2f} to {upper:.2f} mm of the terminal's data "
        "sheet.",
        shown=", ".join(f"{height:.2f}" for height in heights),
        within=say("within") if good else say("NOT within"),
        lower=lower,
        upper=upper,
    )


def stale_checks(
    plan: ToolValidationPlan, checks: Mapping[str, LastCheck], now: datetime
) -> Iterator[tuple[str, str]]:
    """Why samples cannot be taken now: instruments whose check is missing, bad or too old."""
    hours = plan.gauge_check_within_h
    if hours is None:
        return
    for role, name in INSTRUMENT_WORDS.items():
        check, what = checks.get(role), {"words": say(name), "hours": hours}
        if check is None:
            yield role, say("The {words} was never checked.", **what)
        elif not check.passed:
            yield role, say("The last check of the {words} failed.", **what)
        elif check.at < now - timedelta(hours=hours):
            yield role, say("The last check of the {words} is older than {hours:g} hours.", **what)


def validation_steps(
    plan: ToolValidationPlan,
    scope: ValidationScope,
    result: ValidationResult,
    looks: Sequence[GaugeLook],
    checks: Mapping[str, LastCheck],
    now: datetime,
) -> Iterator[Step]:
    """What comes next, in order; the last step ends the job."""
    going = [joint for joint in result.joints if joint.state == "not_finished"]
    if not going:
        yield Step("end", say("Everything is there: a lead ends the validation."))
    if any(joint.missing for joint in going):
        check = say("Check it against a standard first.")
        for role, reason in stale_checks(plan, checks, now):
            yield Step("check", join((reason, check)), role, blocked=True)
    answered = {(look.kind, look.of) for look in looks}
    nests = {joint.joint.nest for joint in going}
    for nest in scope.nests if plan.nest_gauge != "off" else ():
        if nest in nests and (NEST_GAUGE, nest) not in answered:
            words = say("Try the go/no-go gauge in nest {nest}, or say there is none.", nest=nest)
            yield Step(NEST_GAUGE, words, nest)
    for joint in going if plan.crimp_height != "off" else ():
        if (CRIMP_HEIGHT, joint.joint.key) not in answered:
            words = say(
                "Measure {heights} crimp heights of {joint}, or say that they are not measured.",
                heights=plan.crimp_heights,
                joint=joint_words(joint.joint),
            )
            yield Step(CRIMP_HEIGHT, words, joint.joint.key)
    for joint in going:
        yield from _samples_of(joint)


def _samples_of(joint: JointResult) -> Iterator[Step]:
    if joint.missing:
        words = say(
            "Make and test sample {number} of {planned}: {joint}.",
            number=len(joint.counted) + 1,
            planned=joint.planned,
            joint=joint_words(joint.joint),
        )
        yield Step("sample", words, joint.joint.key)
    for sample_id in joint.unconfirmed:
        yield Step("confirm", say("A lead looks at a void sample and confirms it."), sample_id)
