"""The plan of a daily check: how many samples, when more are taken, what holds a nest."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Count = Annotated[int, Field(ge=0)]


class DailyCheckPlan(BaseModel):
    """How a nest is checked before the day's work."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    job: Literal["daily_check"]
    title: str
    standing: str
    reasoning: tuple[str, ...]
    """Why the numbers are what they are, a sentence or two each."""
    every_days: Annotated[int, Field(ge=1, le=31)] = 1
    """A nest is due again after so many days."""
    first_stage: Annotated[int, Field(ge=1, le=50)]
    """Samples of a nest, in whatever gauge is at hand."""
    second_stage: Annotated[int, Field(ge=0, le=50)]
    """Taken once, all of them, where the first stage leaves a doubt; both are judged together."""
    fails_allowed: Count = 0
    """Samples of both stages together that may fail a limit; one more holds the nest at once."""
    undecided_allowed: Count = 0
    """Samples of both stages together whose value may lie too close to a limit to be decided."""
    voids_allowed: Count = 2
    """Void samples that may be replaced; one more holds the nest: voiding must not select."""
    hold_if_left_under: Annotated[int, Field(ge=0)] = 0
    """A worn nest is held if fewer samples than this are left until its tolerance bound meets
    the limit."""
    limit_set: str | None = None
    """None means the one that the bench's settings name."""
