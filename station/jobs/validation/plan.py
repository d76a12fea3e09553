"""The plan of a tool validation: how many samples, what they must show, what else is looked at."""

from typing import Annotated, Literal

from pydantic import Field, field_validator

from station.crimp.pull.reduce import FAILURE_MODES
from station.jobs.plan import Count, JobPlan, Share
from station.statistics.pooling import MIN_BASELINE

Asked = Literal["demanded", "asked", "off"]
"""``asked``: measured where the shop has the gauge, else said to be missing."""


class ToolValidationPlan(JobPlan):
    """How a tool is validated, one nest and joint at a time."""

    job: Literal["tool_validation"]
    samples_per_joint: Annotated[int, Field(ge=MIN_BASELINE, le=500)]
    """Fixed before the first sample: a joint is judged when it has so many, never before."""
    coverage: Share
    confidence: Share
    any_shape: bool = False
    """Whether the bound has room for values that are not normal; a plan that is silent has none."""
    fails_allowed: Count = 0
    """Samples of a joint that may fail a limit."""
    voids_allowed: Count
    """Void samples of a joint that may be replaced; one more ends it: voiding must not select."""
    word_only_voids_allowed: Count = 0
    """Of these, voids that rest on the operator's word alone, until a lead's correction confirms
    them."""
    refusing_modes: tuple[str, ...] = ()
    """Ways of letting go, any one of which refuses the joint whatever it held."""
    gauge_check_within_h: Annotated[float, Field(gt=0.0)] | None
    """How old a passed check of meter and tester may be when a sample is begun; None: no check."""
    nest_gauge: Asked
    crimp_height: Asked
    crimp_heights: Annotated[int, Field(ge=1, le=50)] = 3
    """Crimps of a joint whose height is measured."""

    @field_validator("refusing_modes")
    @classmethod
    def _modes_exist(cls, modes: tuple[str, ...]) -> tuple[str, ...]:
        for mode in modes:
            if mode not in FAILURE_MODES:
                raise ValueError(f"there is no failure mode {mode!r}")
        return modes
