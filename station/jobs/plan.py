"""What the plan of every job holds."""

from typing import Annotated

from pydantic import Field

from station.crimp.in_force import Facts

Share = Annotated[float, Field(gt=0.0, lt=1.0)]
Count = Annotated[int, Field(ge=0)]


class JobPlan(Facts):
    """A plan: read from a file, and recorded with each job that is done by it."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    title: str
    standing: str
    reasoning: tuple[str, ...]
    """Why the numbers are what they are, a sentence or two each."""
    limit_set: str | None = None
    """A set that alone judges; None means the limits in force."""
