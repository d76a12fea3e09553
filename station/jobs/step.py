"""How a job stands: what is to be done next, and what it has come to. The same for every job.

It is worked out anew from the record each time it is asked for, so that a job goes on where it was
after the page was closed, the station was killed, another day began or another person came.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from calibration.saying import say

OUTCOME_WORDS: dict[str, str] = {
    "released": say("Released for the day"),
    "watch": say("On watch"),
    "held": say("Held"),
    "broken off": say("Broken off"),
    "accepted": say("Accepted"),
    "accepted_in_part": say("Accepted for some joints"),
    "refused": say("Refused"),
    "certified": say("Certified"),
    "not_certified": say("Not certified"),
    "re_sit": say("Re-sit"),
    "given_up": say("Given up"),
    "not_finished": say("Not finished"),
}
"""What a job of any kind may come to, as people read it."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do.

    Attributes
    ----------
    name
        Short and stable: what a command or a form names, and the record keeps.
    words
        What the person does, in a sentence.
    about
        What it is about: a nest, a joint key, an instrument's role; empty where that is clear.
    blocked
        True where the steps after it cannot be done before it.
    left, made
        How many times, and how many of its samples count already.
    tool, nest
        What a sample must be made with; None where it is no sample, or ``about`` names its joint.
    """

    name: str
    words: str
    about: str = ""
    blocked: bool = False
    left: int = 1
    made: int = 0
    tool: str | None = None
    nest: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a job has come to, with its reasons in plain words."""

    word: str
    reasons: tuple[str, ...]
    figures: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JobState:
    """How a job stands.

    Attributes
    ----------
    steps
        What is left, first things first; empty when nothing is.
    lines
        How each part stands, in words.
    outcome
        What ending the job would record; None while something is left to do.
    """

    steps: tuple[Step, ...]
    lines: tuple[str, ...]
    outcome: Outcome | None = None

    @property
    def next(self) -> Step | None:
        """What to do now."""
        return self.steps[0] if self.steps else None
