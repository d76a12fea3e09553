"""How often the shipped plans of jobs are wrong: ``python -m tests.benchmarks.job_errors``.

Populations of simulated nests, tools and people whose true quality is known are judged by each
plan: the share of bad ones let through and of sound ones turned away, with exact 95 % intervals.
Then an operator who re-tests until it passes works against the book of jobs itself, beside one who
does as the plan says. With ``--write`` the tables go into the plans' documents.

Holds where re-testing leaves at most one point more of the bad nests in use.
"""

import sys
from typing import Any

from station.jobs.daily.let_through import let_through
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.odds import ErrorRate
from station.jobs.plan_odds import error_words, plan_errors
from station.jobs.plans import load_plans
from tests.benchmarks.plan_documents import write_document
from tests.benchmarks.report import Figures, run
from tests.benchmarks.retests import retest_rates

TRIES = {"daily_check": 1_000, "tool_validation": 2_000, "certification": 1_000}
CRIMPS_A_DAY = 25.0
RETESTED_NESTS = 200
MAX_GAIN = 0.01


def figures(scale: float = 1.0) -> Figures:
    """Try every shipped plan, and the re-tester; ``scale`` makes a shorter run."""
    table: dict[str, Any] = {}
    for plan_id, plan in load_plans().items():
        rates = plan_errors(plan, tries=max(10, int(scale * TRIES[plan.job])))
        for rate in rates:
            words = error_words(plan.job, rate)
            table[f"{plan_id}: {rate.population}: {words}"] = _shown(rate)
    gains = []
    nests = max(10, int(scale * RETESTED_NESTS))
    for words, (plain, fishing) in retest_rates(nests=nests).items():
        table[f"re-tests, {words}: as planned"] = _shown(plain)
        table[f"re-tests, {words}: until it passes"] = _shown(fishing)
        gains.append(fishing.share - plain.share)
    table["re-tests: largest gain, points"] = 100.0 * max(gains)
    return Figures("job_errors", table, max(gains) <= MAX_GAIN)


def _shown(rate: ErrorRate) -> str:
    return f"{rate.share:.1%} ({rate.low:.1%} to {rate.high:.1%})"


def write() -> None:
    """Write the plans' documents."""
    plans = load_plans().values()
    daily = [plan for plan in plans if isinstance(plan, DailyCheckPlan)]
    through = [let_through(plan, CRIMPS_A_DAY, tries=TRIES[plan.job]) for plan in daily]
    for plan in plans:
        rates = plan_errors(plan, tries=TRIES[plan.job])
        write_document(plan, rates, through if plan in daily else ())


if __name__ == "__main__":
    if "--write" in sys.argv:
        write()
    else:
        run(figures)
