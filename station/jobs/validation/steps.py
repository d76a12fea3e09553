"""The way of a tool validation: from what is on record to what comes next.

A pure function of the plan, the scope and the entries, so that it does not matter when, where and
by whom the job is taken up again.
"""

from collections.abc import Mapping, Sequence
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
    limit_set: str
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
        return _nest_look(content)
    if step == CRIMP_HEIGHT:
        return _height_look(content)
    return None


def _nest_look(content: Mapping[str, Any]) -> GaugeLook:
    nest, gauge = str(content["nest"]), content.get("gauge") or ""
    if not gauge:
        return GaugeLook(
            "nest_gauge",
            nest,
            None,
            say("The shop has no go/no-go gauge of nest {nest}.", nest=nest),
        )
    go, no_go = bool(content["go_enters"]), bool(content["no_go_stops"])
    words = say(
        "Nest {nest} with gauge {gauge}: {go}, {no_go}.",
        nest=nest,
        gauge=gauge,
        go=say("go enters") if go else say("go does NOT enter"),
        no_go=say("no-go stops") if no_go else say("no-go does NOT stop"),
    )
    return GaugeLook("nest_gauge", nest, go and no_go, words)


def _height_look(content: Mapping[str, Any]) -> GaugeLook:
    key, heights = str(content["joint_key"]), content.get("heights_mm") or []
    if not heights:
        return GaugeLook(
            "crimp_height", key, None, say("The shop does not measure this crimp's height.")
        )
    lower, upper = float(content["lower_mm"]), float(content["upper_mm"])
    good = all(lower <= height <= upper for height in heights)
    shown = ", ".join(f"{height:.2f}" for height in heights)
    words = say(
        "Crimp height {shown} mm, {within} {lower:.2f} to {upper:.2f} mm of the terminal's data "
        "sheet.",
        shown=shown,
        within=say("within") if good else say("NOT within"),
        lower=lower,
        upper=upper,
    )
    return GaugeLook("crimp_height", key, good, words)


def stale_checks(
    plan: ToolValidationPlan, checks: Mapping[str, LastCheck], now: datetime
) -> list[str]:
    """Why samples cannot be taken now: instruments whose check is missing, bad or too old."""
    if plan.gauge_check_within_h is None:
        return []
    oldest = now - timedelta(hours=plan.gauge_check_within_h)
    found = []
    for role, words in INSTRUMENT_WORDS.items():
        check = checks.get(role)
        if check is None:
            found.append(say("The {words} was never checked.", words=say(words)))
        elif not check.passed:
            found.append(say("The last check of the {words} failed.", words=say(words)))
        elif check.at < oldest:
            found.append(
                say(
                    "The last check of the {words} is older than {gauge_check_within_h:g} hours.",
                    words=say(words),
                    gauge_check_within_h=plan.gauge_check_within_h,
                )
            )
    return found


def validation_steps(
    plan: ToolValidationPlan,
    scope: ValidationScope,
    result: ValidationResult,
    looks: Sequence[GaugeLook],
    checks: Mapping[str, LastCheck],
    now: datetime,
) -> list[Step]:
    """What comes next, in order; the last step ends the job."""
    going = [joint for joint in result.joints if joint.state == "not_finished"]
    if not going:
        return [Step("end", say("Everything is there: a lead ends the validation."))]
    steps = [
        Step("check", join((reason, say("Check it against a standard first."))), blocked=True)
        for reason in (stale_checks(plan, checks, now) if _wants_samples(going) else [])
    ]
    steps += _look_steps(plan, scope, going, looks)
    for joint in going:
        if joint.missing:
            steps.append(
                Step(
                    "sample",
                    say(
                        "Make and test sample {number} of {planned}: {joint}.",
                        number=len(joint.counted) + 1,
                        planned=joint.planned,
                        joint=joint_words(joint.joint),
                    ),
                    joint.joint.key,
                )
            )
    return steps


def _wants_samples(going: Sequence[JointResult]) -> bool:
    return any(joint.missing for joint in going)


def _look_steps(
    plan: ToolValidationPlan,
    scope: ValidationScope,
    going: Sequence[JointResult],
    looks: Sequence[GaugeLook],
) -> list[Step]:
    answered = {(look.kind, look.of) for look in looks}
    open_nests = [nest for nest in scope.nests if nest in {joint.joint.nest for joint in going}]
    steps = []
    if plan.nest_gauge != "off":
        steps += [
            Step(
                NEST_GAUGE,
                say("Try the go/no-go gauge in nest {nest}, or say there is none.", nest=nest),
                nest,
            )
            for nest in open_nests
            if (NEST_GAUGE, nest) not in answered
        ]
    if plan.crimp_height != "off":
        steps += [
            Step(
                CRIMP_HEIGHT,
                say(
                    "Measure {heights} crimp heights of {joint}, or say that they are not "
                    "measured.",
                    heights=plan.crimp_heights,
                    joint=joint_words(joint.joint),
                ),
                joint.joint.key,
            )
            for joint in going
            if (CRIMP_HEIGHT, joint.joint.key) not in answered
        ]
    return steps
