"""The simulated shops, made short."""

from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.plans import load_plans
from tests.benchmarks.lean_plan import TOGETHER, year


def test_the_lean_plan_takes_fewer_crimps_in_the_same_shop() -> None:
    made = []
    for name in ("daily-check", "daily-check-lean"):
        plan = load_plans()[name]
        assert isinstance(plan, DailyCheckPlan)
        made.append(year(plan, 1))
    usual, lean = made
    assert 0.4 * usual["crimps"] < lean["crimps"] < 0.7 * usual["crimps"]
    assert usual[TOGETHER] == usual["wear"] + usual["break"]
    assert usual["found"] > 5
