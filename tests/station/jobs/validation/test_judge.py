from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from station.crimp.units import newton
from station.files import DATA, read_toml
from station.jobs.sample import JobSample
from station.jobs.validation.judge import (
    GaugeLook,
    ended_early,
    judge_joint,
    judge_tool,
)
from station.jobs.validation.plan import ToolValidationPlan
from station.ledger.entries import CriterionResult
from station.statistics.capability import tolerance_factor
from tests.station.jobs.invented_samples import JOINT, normal_forces, pulls, sample

PLAN = read_toml(DATA / "plans" / "tool-validation.toml", ToolValidationPlan)
BARE = PLAN.model_copy(update={"nest_gauge": "off", "crimp_height": "off"})
BLUE = JOINT.model_copy(
    update={"connector": "butt-splice-blue", "wires": ("16 AWG", "16 AWG"), "nest": "blue"}
)
GOOD = normal_forces(30, 145.0, 8.0)


def test_shipped_plan_says_its_own_factors() -> None:
    # Montgomery & Runger, table XII, 99 % with 95 %, for n = 10, 30 and 100 [seen-1].
    factors = [tolerance_factor(n, PLAN.coverage, PLAN.confidence) for n in (10, 30, 100)]
    assert factors == pytest.approx([3.981, 3.064, 2.684], abs=0.001)
    words = " ".join(PLAN.reasoning)
    assert all(f"{factor:.2f}" in words for factor in factors)


def test_good_samples_accept_a_joint_with_the_published_pass_run() -> None:
    result = judge_joint(BARE, JOINT, pulls(GOOD), guard=1.645)
    assert result.state == "accepted"
    assert result.missing == 0
    # 30 of 30: 0.05 ** (1 / 30), the success-run formula [calc].
    assert result.reliability == pytest.approx(0.05 ** (1 / 30))
    assert "95% confidence" in result.reasons[0]


def test_never_accepted_before_the_number_fixed_by_the_plan() -> None:
    for n in range(30):
        result = judge_joint(BARE, JOINT, pulls(GOOD[:n]), guard=1.645)
        assert result.state == "not_finished"
        assert result.missing == 30 - n
    foreseen = judge_joint(BARE, JOINT, pulls(GOOD[5:25]), guard=1.645).chance
    assert foreseen is not None
    assert foreseen > 0.99


def test_samples_beyond_the_plan_change_nothing() -> None:
    weak = normal_forces(30, 107.0, 8.0)
    short = judge_joint(BARE, JOINT, pulls(weak), guard=1.645)
    longer = judge_joint(BARE, JOINT, pulls(weak) + pulls([200.0] * 30, first=30), guard=1.645)
    assert short.state == longer.state == "refused"
    assert short == longer


def test_one_fail_refuses_at_once() -> None:
    result = judge_joint(BARE, JOINT, pulls([140.0, 150.0, 60.0]), guard=1.645)
    assert result.state == "refused"
    assert result.chance == 0.0
    assert "1 of 3 samples failed" in result.reasons[0]


def test_weak_bound_refuses_though_no_sample_failed() -> None:
    result = judge_joint(BARE, JOINT, pulls(normal_forces(30, 107.0, 8.0)), guard=1.645)
    assert result.state == "refused"
    assert "could not be shown" in result.reasons[0]


def test_voids_are_replaced_counted_and_capped() -> None:
    void = [sample(100 + number, 0.0, verdict="void") for number in range(6)]
    assert judge_joint(BARE, JOINT, void[:5] + pulls(GOOD), guard=1.645).state == "accepted"
    result = judge_joint(BARE, JOINT, void + pulls(GOOD), guard=1.645)
    assert result.state == "refused"
    assert result.voids == 6
    assert "Put the test right" in result.reasons[0]


def test_a_void_on_the_operators_word_counts_until_a_lead_confirms_it() -> None:
    void = sample(100, 60.0, verdict="void")
    doubtful = judge_joint(BARE, JOINT, [replace(void, word_only=True), *pulls(GOOD)], guard=1.645)
    assert doubtful.state == "not_finished"
    assert doubtful.unconfirmed == ("sample-100",)
    assert "a lead looks at each" in doubtful.reasons[-1].casefold()
    assert judge_joint(BARE, JOINT, [void, *pulls(GOOD)], guard=1.645).state == "accepted"


def test_a_refusing_mode_refuses_whatever_it_held() -> None:
    odd: list[JobSample] = [*pulls(GOOD[:-1]), sample(99, 150.0, mode="insulation_only")]
    result = judge_joint(BARE, JOINT, odd, guard=1.645)
    assert result.state == "refused"
    assert "insulation" in result.reasons[0]


def test_drawn_out_is_remarked() -> None:
    drawn = [sample(number, force, mode="drawn_out") for number, force in enumerate(GOOD)]
    result = judge_joint(BARE, JOINT, drawn, guard=1.645)
    assert result.state == "accepted"
    assert any("drew out" in remark for remark in result.remarks)
    assert result.modes == {"drawn_out": 30}


def test_looks_that_the_plan_asks_for_must_be_answered() -> None:
    open_still = judge_joint(PLAN, JOINT, pulls(GOOD), guard=1.645)
    assert open_still.state == "not_finished"
    assert len(open_still.reasons) == 2
    none = (
        GaugeLook("nest_gauge", "red", None, "No gauge for nest red."),
        GaugeLook("crimp_height", JOINT.key, None, "No crimp height gauge."),
    )
    assert judge_joint(PLAN, JOINT, pulls(GOOD), none, guard=1.645).state == "accepted"
    demanded = PLAN.model_copy(update={"nest_gauge": "demanded"})
    assert judge_joint(demanded, JOINT, pulls(GOOD), none, guard=1.645).state == "not_finished"


def test_a_bad_look_refuses_and_a_later_one_replaces_it() -> None:
    bad = GaugeLook("nest_gauge", "red", False, "The no-go end enters nest red.")
    good = GaugeLook("nest_gauge", "red", True, "Nest red: go enters, no-go stops.")
    only = BARE.model_copy(update={"nest_gauge": "asked"})
    assert judge_joint(only, JOINT, pulls(GOOD), [bad], guard=1.645).state == "refused"
    assert judge_joint(only, JOINT, pulls(GOOD), [bad, good], guard=1.645).state == "accepted"


def test_tool_may_be_accepted_for_some_joints() -> None:
    weak = pulls(normal_forces(30, 107.0, 8.0), joint=BLUE, first=100)
    result = judge_tool(BARE, (JOINT, BLUE), pulls(GOOD) + weak, guard=1.645)
    assert result.outcome == "accepted_in_part"
    assert [joint.state for joint in result.joints] == ["accepted", "refused"]
    half = judge_tool(BARE, (JOINT, BLUE), pulls(GOOD) + weak[:5], guard=1.645)
    assert half.outcome == "not_finished"
    assert ended_early(half) == "accepted_in_part"
    assert judge_tool(BARE, (BLUE,), weak, guard=1.645).outcome == "refused"
    assert judge_tool(BARE, (JOINT,), pulls(GOOD), guard=1.645).outcome == "accepted"


def test_unmeasured_criterion_blocks_acceptance() -> None:
    rng = np.random.default_rng(4)
    samples = [
        sample(number, force, float(rng.normal(0.25e-3, 0.01e-3)))
        for number, force in enumerate(GOOD)
    ]
    blank = [
        JobSample(
            one.sample_id,
            one.joint,
            "undecided",
            one.failure_mode,
            (one.criteria[0], one.criteria[1].model_copy(update={"value": None})),
        )
        for one in samples
    ]
    assert judge_joint(BARE, JOINT, samples, guard=1.645).state == "accepted"
    result = judge_joint(BARE, JOINT, blank, guard=1.645)
    assert result.state == "refused"
    assert "not measured" in result.reasons[0]


def test_samples_without_any_limit_accept_nothing() -> None:
    bare = [JobSample(f"sample-{number}", JOINT, "pass", None, ()) for number in range(30)]
    result = judge_joint(BARE, JOINT, bare, guard=1.645)
    assert result.state == "refused"
    assert "No limit was judged" in result.reasons[0]


@pytest.mark.parametrize(
    ("days", "says"), [(1, "All 30 in one sitting"), (3, "The 30 were made in 3 sittings")]
)
def test_sittings_and_the_weakest_are_told(days: int, says: str) -> None:
    first = datetime(2031, 3, 1, 9, tzinfo=UTC)
    made = [
        replace(one, at_utc=first + timedelta(days=place * days // 30, minutes=place))
        for place, one in enumerate(pulls(GOOD))
    ]
    remarks = " ".join(judge_joint(BARE, JOINT, made, guard=1.645).remarks)
    assert says in remarks
    assert f"The worst pull force of 30 was {newton(min(GOOD))}" in remarks
    assert "rests on how the 30 spread" in remarks


def test_a_stray_above_the_limit_refuses_a_joint() -> None:
    stray = judge_joint(BARE, JOINT, pulls([*GOOD[1:], 105.0]), guard=1.645)
    assert stray.state == "refused"
    assert "no bound can be shown" in " ".join(stray.remarks)


def test_a_plan_that_is_silent_on_shapes_judges_as_before() -> None:
    # Recorded before there was room for other shapes: shown as it was judged.
    old = BARE.model_copy(update={"any_shape": False})
    near = pulls(normal_forces(30, 118.0, 8.0))
    assert judge_joint(old, JOINT, near, guard=1.645).state == "accepted"
    assert judge_joint(BARE, JOINT, near, guard=1.645).state == "refused"
    assert not any("worst" in line for line in judge_joint(old, JOINT, near, guard=1.645).remarks)


def test_a_crimp_height_is_judged_of_each_sample_and_by_no_one_sided_bound() -> None:
    height = CriterionResult(
        criterion="crimp_height", unit="m", value=1.34e-3, u=1e-5, limit=1.34e-3, tolerance=5e-5,
        verdict="pass", probability_conforming=0.99,
    )  # fmt: skip
    measured = [replace(one, criteria=(*one.criteria, height)) for one in pulls(GOOD)]
    result = judge_joint(BARE, JOINT, measured, guard=1.645)
    assert result.state == "accepted"
    assert [one.criterion for one in result.findings] == ["pull_force_min"]
    high = height.model_copy(update={"verdict": "fail"})
    bad = replace(measured[0], verdict="fail", criteria=(*measured[0].criteria[:-1], high))
    assert judge_joint(BARE, JOINT, [bad, *measured[1:]], guard=1.645).state == "refused"
