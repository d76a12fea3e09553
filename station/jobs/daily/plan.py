"""The plan of a daily check: how many samples, when more are taken, what holds a nest."""

from typing import Annotated, Literal

from pydantic import Field

from station.crimp.in_force import Facts
from station.jobs.plan import Count, JobPlan


class SteadyNests(Facts):
    """Fewer samples where a nest is long steady."""

    samples: Annotated[int, Field(ge=1, le=50)]
    """Samples of a long steady nest, in place of first_stage."""
    after_checks: Annotated[int, Field(ge=1, le=500)]
    """Long steady: so many checks in a row released it, since its last service, new baseline or
    hold; and no reel was entered since the last of them."""
    odd_beyond: Annotated[float, Field(ge=0.0, le=10.0)]
    """A sample worse than its baseline by more deviations than this, in force or in resistance, is
    answered by second_stage more, once."""


class DailyCheckPlan(JobPlan):
    """How a nest is checked before the day's work."""

    job: Literal["daily_check"]
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
    hold_if_left_under: Count = 0
    """A worn nest is held if fewer samples than this are left until its tolerance bound meets
    the limit."""
    steady: SteadyNests | None = None
    """What is asked of long steady nests; without it as of any."""
