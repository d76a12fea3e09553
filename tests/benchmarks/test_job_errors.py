"""The benchmark of the plans, made short: the re-tester gains nothing, the documents are true."""

import numpy as np
import pytest

from station.jobs.daily.odds import SimulatedNest, check
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.plans import load_plans
from tests.benchmarks.plan_documents import FOLDER, document_of
from tests.benchmarks.retests import honest, in_use, until_it_passes

PLANS = load_plans()


def test_retesting_until_it_passes_gains_nothing() -> None:
    few = {"stray": 0.3, "shift": 0.0, "nests": 12, "seed": 3}
    plain = in_use(honest, **few)  # type: ignore[arg-type]
    fishing = in_use(until_it_passes, **few)  # type: ignore[arg-type]
    assert 0 < sum(plain) < 12
    assert sum(fishing) <= sum(plain)


def test_stray_crimps_stay_unseen_as_often_as_the_success_run_says() -> None:
    plan = PLANS["daily-check"]
    assert isinstance(plan, DailyCheckPlan)
    rng = np.random.default_rng(4)
    nest = SimulatedNest(stray=0.2, voids=0.0)
    unseen = sum(check(plan, nest, rng).outcome != "held" for _ in range(300))
    # None of three is stray: 0.8 ** 3 = 51.2 %. Four standard errors are 11.5 points.
    assert unseen / 300 == pytest.approx(0.8**3, abs=0.12)


@pytest.mark.parametrize("plan_id", PLANS)
def test_the_document_of_a_plan_is_that_of_its_file(plan_id: str) -> None:
    plan = PLANS[plan_id]
    written = (FOLDER / f"{plan_id}.md").read_text(encoding="utf-8")
    head, _, tail = written.partition("## How often it is wrong")
    assert document_of(plan, []).startswith(head)
    assert f"station job odds {plan_id}" in tail
