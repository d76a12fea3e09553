"""The plan of a certification: its tasks, what is demanded, how often it may be tried."""

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from station.crimp.in_force import Facts
from station.crimp.wire import parse_size
from station.jobs.plan import Count, JobPlan, Share
from station.statistics.capability import reliability_bound


class Task(Facts):
    """One kind of joint that the candidate makes."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    connector: str
    """Identifier of a connector in ``station/data/connectors``."""
    wires: Annotated[tuple[str, ...], Field(min_length=1)]
    material: str = "copper"
    band: str
    """Which nest of the tool: the scope of a job says which nest serves which band."""

    @field_validator("wires")
    @classmethod
    def _sizes_exist(cls, wires: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(parse_size(wire).label for wire in wires)


class CertificationPlan(JobPlan):
    """How a person is certified."""

    job: Literal["certification"]
    samples_per_task: Annotated[int, Field(ge=2, le=200)]
    spares_per_task: Annotated[int, Field(ge=0, le=20)]
    """Samples made beside, under codes of their own: used in turn where a test is void."""
    controls_per_task: Annotated[int, Field(ge=0, le=20)]
    """Samples by a hand that is certified already, mixed in and not counted."""
    share: Share
    """Share of conforming crimps that must be shown over all samples, re-sits among them."""
    confidence: Share
    minor_faults_allowed: Count
    """Samples of a task with a fault that is not critical."""
    spread_ratio_max: Annotated[float, Field(ge=1.0)]
    """A spread that is shown, with the confidence, to exceed the shop's own so many times fails."""
    resit_tasks: Count
    """Failed tasks that may be re-sat, once."""
    resit_after_days: Count
    new_attempt_after_days: Count
    """After a certification that was not passed or was given up."""
    valid_months: Annotated[int, Field(ge=1, le=60)]
    remind_days: Count
    tasks: Annotated[tuple[Task, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _can_be_passed(self) -> "CertificationPlan":
        names = [task.id for task in self.tasks]
        if len(set(names)) < len(names):
            raise ValueError("two tasks have one id")
        n = self.samples_per_task * len(self.tasks)
        if reliability_bound(n, n, self.confidence) < self.share:
            raise ValueError(
                f"{n} samples without a failure cannot show {self.share:.0%} with "
                f"{self.confidence:.0%} confidence: plan more samples"
            )
        return self

    def task(self, name: str) -> Task:
        """A task by its id (KeyError if there is none)."""
        return next(task for task in self.tasks if task.id == name)
