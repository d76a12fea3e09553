"""How often a plan of any job is wrong, on populations whose true quality is known."""

from station.jobs.certification import odds as people
from station.jobs.daily import odds as nests
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import ErrorRate, error_rates
from station.jobs.plans import Plan
from station.jobs.validation import odds as tools
from station.jobs.validation.plan import ToolValidationPlan

WORDS = {
    "daily_check": ("bad nests left in use", "sound nests held"),
    "tool_validation": ("bad tools accepted", "sound tools refused"),
    "certification": ("weak candidates certified", "sound candidates refused"),
}
"""What an error is called, for the bad and for the sound."""


def plan_errors(plan: Plan, *, tries: int, seed: int = 1) -> list[ErrorRate]:
    """Try a plan ``tries`` times on each of its populations."""
    if isinstance(plan, DailyCheckPlan):
        return error_rates(
            nests.populations(),
            lambda nest, rng: nests.check(plan, nest, rng).outcome != "held",
            # A creeping nest is checked on forty days.
            lambda nest: max(1, tries // 5) if nest.creeps else tries,
            seed,
        )
    if isinstance(plan, ToolValidationPlan):
        # Gauge looks are taken as done.
        bare = plan.model_copy(update={"nest_gauge": "off", "crimp_height": "off"})
        return error_rates(
            tools.populations(plan),
            lambda tool, rng: tools.accepts(bare, tool, rng),
            lambda _: tries,
            seed,
        )
    return error_rates(
        people.populations(plan),
        lambda person, rng: people.certifies(plan, person, rng),
        lambda _: tries,
        seed,
    )


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
