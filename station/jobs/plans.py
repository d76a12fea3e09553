"""Plans of jobs, read from their files: the shipped ones, and a shop's own from a folder."""

from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import Field, RootModel

from station.crimp.limits import LimitSets
from station.errors import BadInput, DataFileError
from station.files import DATA, read_all, read_toml
from station.jobs.certification.plan import CertificationPlan
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.validation.plan import ToolValidationPlan
from station.settings import Settings

P = TypeVar("P", DailyCheckPlan, ToolValidationPlan, CertificationPlan)
Plan = DailyCheckPlan | ToolValidationPlan | CertificationPlan

MODELS: dict[str, type[Plan]] = {
    "daily_check": DailyCheckPlan,
    "tool_validation": ToolValidationPlan,
    "certification": CertificationPlan,
}
"""What a plan must hold, by its job."""


class PlanFile(RootModel[Annotated[Plan, Field(discriminator="job")]]):
    """One file."""

    @property
    def id(self) -> str:
        """Its identifier, which the file is named after."""
        return self.root.id


def load_plans(extra: Path | None = None) -> dict[str, Plan]:
    """The shipped plans and a shop's own, by id.

    Raises
    ------
    DataFileError
        A file cannot be read, is named otherwise than its id, or an id comes twice.
    """
    folders: list[Traversable | Path] = [DATA / "plans", *([extra] if extra else [])]
    return {file.id: file.root for file in read_all(folders, PlanFile)}


def check_plans(plans: dict[str, Plan], limit_sets: LimitSets) -> None:
    """See that the limit set each plan names is at hand.

    Raises
    ------
    DataFileError
        A plan names one that there is none of.
    """
    for plan in plans.values():
        if plan.limit_set is not None and plan.limit_set not in limit_sets.ids:
            raise DataFileError(
                f"The plan {plan.id} names the limit set {plan.limit_set!r}, and there is none: "
                f"name one of {', '.join(limit_sets.ids)}, or put its file into the folder that "
                "the setting limit_sets_folder names."
            )


def read_plan(file: Traversable | Path) -> Plan:
    """Read one plan (DataFileError where it does not fit its job)."""
    return read_toml(file, PlanFile).root


def chosen_plan(settings: Settings, kind: type[P], plan_id: str | None = None) -> P:
    """The plan of this id for a kind of job, or the shop's choice (BadInput if there is none).

    Files are read anew, so that a changed one counts for the next job.
    """
    job = next(name for name, model in MODELS.items() if model is kind)
    plans = load_plans(settings.plans_folder)
    own = settings.daily_plan if kind is DailyCheckPlan else job.replace("_", "-")
    wanted = plan_id or own
    plan = plans.get(wanted)
    if not isinstance(plan, kind):
        known = [name for name, found in plans.items() if found.job == job]
        raise BadInput(
            f"There is no plan {wanted!r} for this job: use one of {', '.join(known) or 'none'}."
        )
    return plan
