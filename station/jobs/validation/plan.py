"""The plan of a tool validation: how many samples, what they must show, what else is looked at."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from station.crimp.pull.reduce import FAILURE_MODES
from station.statistics.pooling import MIN_BASELINE

Share = Annotated[float, Field(gt=0.0, lt=1.0)]
Asked = Literal["demanded", "asked", "off"]
"""``asked``: measured where the shop has the gauge, else said to be missing."""


class ToolValidationPlan(BaseModel):
    """How a tool is validated, one nest and joint at a time."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    job: Literal["tool_validation"]
    title: str
    standing: str
    reasoning: tuple[str, ...]
    """Why the numbers are what they are, a sentence or two each."""
    samples_per_joint: Annotated[int, Field(ge=MIN_BASELINE, le=500)]
    """Fixed before the first sample: a joint is judged when it has so many, never before."""
    coverage: Share
    confidence: Share
    fails_allowed: Annotated[int, Field(ge=0)] = 0
    """Samples of a joint that may fail a limit."""
    voids_allowed: Annotated[int, Field(ge=0)]
    """Void samples of a joint that may be replaced; one more ends it: voiding must not select."""
    word_only_voids_allowed: Annotated[int, Field(ge=0)] = 0
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
    limit_set: str | None = None
    """None means the one that the bench's settings name."""

    @field_validator("refusing_modes")
    @classmethod
    def _modes_exist(cls, modes: tuple[str, ...]) -> tuple[str, ...]:
        for mode in modes:
            if mode not in FAILURE_MODES:
                raise ValueError(f"there is no failure mode {mode!r}")
        return modes
