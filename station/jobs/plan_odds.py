"""How often a plan of any job is wrong, on populations whose true quality is known."""

from station.jobs.certification.odds import certification_errors
from station.jobs.certification.plan import CertificationPlan
from station.jobs.daily.odds import daily_errors
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import ErrorRate
from station.jobs.validation.odds import validation_errors
from station.jobs.validation.plan import ToolValidationPlan

WORDS = {
    "daily_check": ("bad nests left in use", "sound nests held"),
    "tool_validation": ("bad tools accepted", "sound tools refused"),
    "certification": ("weak candidates certified", "sound candidates refused"),
}
"""What an error is called, for the bad and for the sound."""


def plan_errors(
    plan: DailyCheckPlan | ToolValidationPlan | CertificationPlan, *, tries: int, seed: int = 1
) -> list[ErrorRate]:
    """Try a plan ``tries`` times on each of its populations."""
    match plan:
        case DailyCheckPlan():
            return daily_errors(plan, nests=tries, seed=seed)
        case ToolValidationPlan():
            return validation_errors(plan, tools=tries, seed=seed)
        case CertificationPlan():
            return certification_errors(plan, people=tries, seed=seed)


def error_words(job: str, rate: ErrorRate) -> str:
    """What an error of this population is called."""
    bad, sound = WORDS[job]
    return bad if rate.truth == "bad" else sound


def error_lines(job: str, rates: list[ErrorRate]) -> list[str]:
    """The table, one line per population, aligned for reading."""
    width = max(len(rate.population) for rate in rates)
    return [
        f"{rate.population:<{width}}  {error_words(job, rate)}: {rate.share:6.1%} "
        f"({rate.low:.1%} to {rate.high:.1%}; {rate.errors} of {rate.tried})"
        for rate in rates
    ]
