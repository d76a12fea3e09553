"""What a daily check plan lets through, against what a few lines of arithmetic say."""

import numpy as np
import pytest

from station.jobs.daily.let_through import let_through, run_checks
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.plans import load_plans

PLANS = load_plans()


def plan(plan_id: str) -> DailyCheckPlan:
    found = PLANS[plan_id]
    assert isinstance(found, DailyCheckPlan)
    return found


def course(plan_id: str, failing_day: int | None, place: int = 0) -> tuple[int | None, int]:
    """Thirty days of a good nest; on one of them one sample fails."""
    rng = np.random.default_rng(4)
    worse = 0.5 * rng.standard_normal((30, 8, 2))
    force_n = np.full((30, 8), 150.0)
    if failing_day is not None:
        force_n[failing_day, place] = 60.0
    none = np.empty((0, 2))
    return run_checks(plan(plan_id), force_n, worse, none, baseline=30, good_checks=10)


def test_a_fail_is_found_on_its_day_where_its_sample_is_made() -> None:
    assert course("daily-check", None) == (None, 90)
    assert course("daily-check", 12, place=2) == (12, 39)
    assert course("daily-check-lean", None) == (None, 30)
    assert course("daily-check-lean", 12) == (12, 13)
    # The second of a day is not made of a long steady nest.
    assert course("daily-check-lean", 12, place=1) == (None, 30)


def test_strays_leave_as_often_as_their_share_says() -> None:
    document = let_through(plan("daily-check"), 100.0, tries=150)
    one = next(item for item in document["happenings"] if item["happening"].endswith("in 5"))
    # Half a day and 0.8 ** 3 / (1 - 0.8 ** 3) = 1.05 days on average, of 20 bad crimps each.
    assert one["days"] == pytest.approx(1.05, abs=0.4)
    assert one["bad_crimps"] == pytest.approx(20.0 * (0.5 + one["days"]), rel=0.01)
    assert document["checks_take_a_year"] == pytest.approx(750.0, abs=20.0)


def test_the_lean_plan_takes_fewer_crimps() -> None:
    assert (
        250.0 < let_through(plan("daily-check-lean"), 25.0, tries=10)["checks_take_a_year"] < 450.0
    )
