"""The daily check: two stages of fixed size, and nothing gained by trying again."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.jobs.daily.judge import (
    CheckedNest,
    NestEvidence,
    NestHistory,
    judge,
    progress_of,
)
from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.steps import LastCheck, due_today, outcome_of, state_of
from station.jobs.plans import load_plans
from station.ledger.entries import BaselineSet, Joint
from station.ledger.rows import SampleRow

JOINT = Joint(connector="butt-splice-red", wires=("18 AWG", "18 AWG"), tool="Wren", nest="red")
START = datetime(2031, 3, 4, 6, 0, tzinfo=UTC)
NEST = CheckedNest("Wren", "red", counts_from_seq=100, voids_from_seq=100, run_length=5_000.0)
WORN = "Worn: pull force fell."


def shipped() -> DailyCheckPlan:
    plan = load_plans()["daily-check"]
    assert isinstance(plan, DailyCheckPlan)
    return plan


PLAN = shipped()
LEAN = load_plans()["daily-check-lean"]
assert isinstance(LEAN, DailyCheckPlan)
BOTH = PLAN.first_stage + PLAN.second_stage


def evidence(*verdicts: str, **changes: object) -> NestEvidence:
    return replace(NestEvidence(verdicts), **changes)  # type: ignore[arg-type]


def baseline() -> BaselineSet:
    return BaselineSet(
        joint=JOINT, baseline_version=1, n=40, force_ratio_center=1.6, force_ratio_sigma=0.08,
        log_resistance_center=-8.3, log_resistance_sigma=0.06, sample_ids=(),
    )  # fmt: skip


def sample(place: int, verdict: str | None = "pass", **changes: object) -> SampleRow:
    row = SampleRow(
        begun_seq=101 + 2 * place,
        finished_seq=102 + 2 * place,
        sample_id=f"s{place}",
        at_utc=START + timedelta(minutes=place),
        person="Bo Invented",
        job="daily_check",
        connector=JOINT.connector,
        wires=JOINT.wires,
        material="copper",
        tool="Wren",
        nest="red",
        joint_key=JOINT.key,
        limit_set="invented",
        limit_standing="shop",
        verdict=verdict,
        void_reason=None,
        splice_ohm=2.5e-4,
        splice_u_ohm=None,
        peak_n=160.0,
        peak_u_n=None,
        pull_limit_n=100.0,
        failure_mode=None,
        trace_sha256=None,
        demo=True,
        simulated=True,
        replaces=None,
        meter=None,
        tester=None,
        measured_verdict=verdict if verdict != "void" else None,
    )
    return replace(row, **changes)  # type: ignore[arg-type]


def history(*rows: SampleRow, known: bool = True) -> NestHistory:
    return NestHistory(rows, {JOINT.key: baseline()} if known else {})


def test_few_samples_are_not_judged() -> None:
    for made in range(PLAN.first_stage):
        finding = judge(PLAN, evidence(*["pass"] * made))
        assert (finding.outcome, finding.stage) == (None, "first stage")
        assert finding.missing == PLAN.first_stage - made


def test_a_clean_first_stage_releases_the_nest() -> None:
    finding = judge(PLAN, evidence(*["pass"] * PLAN.first_stage))
    assert (finding.outcome, finding.stage, finding.missing) == ("released", "first stage", 0)


@pytest.mark.parametrize("before", range(BOTH))
def test_a_fail_holds_at_once_and_no_later_sample_undoes_it(before: int) -> None:
    verdicts = [*["pass"] * before, "fail", *["pass"] * 20]
    for upto in range(before + 1, len(verdicts) + 1):
        finding = judge(PLAN, evidence(*verdicts[:upto], newly_worn=True))
        assert (finding.outcome, finding.needs) == ("held", "service")


def test_a_doubt_asks_for_the_whole_second_stage_once() -> None:
    verdicts = ["pass", "undecided", "pass"]
    for made in range(3, BOTH):
        finding = judge(PLAN, evidence(*verdicts, *["pass"] * (made - 3)))
        assert (finding.outcome, finding.stage) == (None, "second stage")
        assert finding.missing == BOTH - made
    finding = judge(PLAN, evidence(*verdicts, *["pass"] * (BOTH - 3)))
    assert finding.outcome == "watch"
    held = judge(PLAN, evidence(*verdicts, "undecided", *["pass"] * (BOTH - 4)))
    assert held.outcome == "held"


def test_a_change_just_seen_is_answered_by_the_second_stage() -> None:
    fresh = evidence("pass", "pass", "pass", worn=WORN, newly_worn=True, samples_left=400.0)
    assert judge(PLAN, fresh).missing == PLAN.second_stage
    done = replace(fresh, verdicts=("pass",) * BOTH)
    assert judge(PLAN, done).outcome == "watch"
    assert judge(PLAN, replace(done, samples_left=10.0)).outcome == "held"
    known = replace(fresh, newly_worn=False)
    assert (judge(PLAN, known).outcome, judge(PLAN, known).stage) == ("watch", "first stage")


def test_without_a_baseline_a_nest_is_at_best_on_watch() -> None:
    assert judge(PLAN, evidence("pass", "pass", "pass", has_baseline=False)).outcome == "watch"


def test_too_many_voids_hold_the_nest_for_a_lead() -> None:
    full = evidence(*["pass"] * 3, voids=PLAN.voids_allowed)
    assert judge(PLAN, full).outcome == "released"
    finding = judge(PLAN, replace(full, voids=PLAN.voids_allowed + 1))
    assert (finding.outcome, finding.needs) == ("held", "lead")


@given(st.lists(st.sampled_from(["pass", "fail", "undecided"]), max_size=BOTH), st.booleans())
def test_more_samples_never_help_once_one_failed(verdicts: list[str], worn: bool) -> None:
    first = judge(PLAN, evidence(*verdicts, newly_worn=worn, worn=WORN if worn else None))
    if "fail" in verdicts:
        assert first.outcome == "held"
    else:
        assert first.missing == 0 or first.outcome is None
        assert len(verdicts) + first.missing <= BOTH


def test_samples_of_every_job_and_hand_count() -> None:
    rows = [sample(0, job_id="first"), sample(1, job_id=None), sample(2, job_id="second")]
    progress = progress_of(PLAN, NEST, history(*rows))
    assert [row.sample_id for row in progress.counted] == ["s0", "s1", "s2"]
    assert progress.finding.outcome == "released"


def test_samples_before_the_check_and_of_other_jobs_do_not_count() -> None:
    rows = [
        sample(0, begun_seq=90),
        sample(1, job="tool_validation"),
        sample(3),
    ]
    progress = progress_of(PLAN, NEST, history(*rows))
    assert [row.sample_id for row in progress.counted] == ["s3"]
    assert progress.voids == ()


def test_a_void_on_a_persons_word_counts_as_it_was_measured() -> None:
    word = {"void_by": "person", "measured_verdict": "fail", "peak_n": 80.0}
    progress = progress_of(PLAN, NEST, history(sample(0, "void", **word)))
    assert progress.finding.outcome == "held"
    assert progress.voids == ()
    by_instrument = sample(0, "void", **(word | {"void_by": "instrument"}))
    progress = progress_of(PLAN, NEST, history(by_instrument))
    assert progress.finding.outcome is None
    assert len(progress.voids) == 1


def test_a_sample_given_up_before_its_pull_is_no_good_one() -> None:
    given_up = {"void_by": "person", "peak_n": None, "measured_verdict": "pass"}
    progress = progress_of(PLAN, NEST, history(*[sample(n, "void", **given_up) for n in range(2)]))
    assert (len(progress.counted), len(progress.voids)) == (0, 2)
    bad = sample(0, "void", **(given_up | {"measured_verdict": "fail"}))
    assert progress_of(PLAN, NEST, history(bad)).finding.outcome == "held"


def test_a_sample_that_was_left_and_made_again_counts_as_void() -> None:
    rows = [sample(0, None), sample(1, replaces="s0")]
    progress = progress_of(PLAN, NEST, history(*rows))
    assert [row.sample_id for row in progress.voids] == ["s0"]


@pytest.mark.parametrize(
    "rows",
    [
        [sample(0, None, pull_begun_seq=7, peak_n=None), sample(1, replaces="s0")],
        [sample(0, "void", pull_begun_seq=7, peak_n=None, void_by="instrument")],
        [sample(0, "void", pull_begun_seq=7, peak_n=None, void_by="person")],
    ],
    ids=["killed and made again", "unplugged or guard opened", "given up"],
)
def test_a_pull_that_left_no_force_holds_the_nest_for_a_lead(rows: list[SampleRow]) -> None:
    finding = progress_of(PLAN, NEST, history(*rows, *[sample(n) for n in range(2, 5)])).finding
    assert (finding.outcome, finding.needs) == ("held", "lead")
    assert "no force on record" in finding.reasons[0]


def test_an_interruption_before_the_pull_is_a_void_like_others() -> None:
    rows = [sample(0, None), sample(1, replaces="s0"), sample(2), sample(3)]
    assert progress_of(PLAN, NEST, history(*rows)).finding.outcome == "released"


def test_nothing_is_found_while_a_sample_is_unfinished() -> None:
    rows = [sample(n) for n in range(3)]
    finding = progress_of(PLAN, NEST, history(*rows, sample(3, None))).finding
    assert finding.outcome is None
    assert "measure it again or void it" in finding.reasons[0]


def test_a_nest_that_fell_off_is_seen_by_the_wear_watch_though_it_passes() -> None:
    steady = [sample(place - 90, begun_seq=place, peak_n=160.0) for place in range(10, 90)]
    weak = [sample(place, peak_n=115.0) for place in range(BOTH)]
    progress = progress_of(PLAN, NEST, history(*steady, *weak[:3]))
    assert progress.finding.stage == "second stage"
    progress = progress_of(PLAN, NEST, history(*steady, *weak))
    assert progress.finding.outcome in ("watch", "held")
    assert "Worn: getting weaker since" in progress.finding.reasons[-1]


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"measured_verdict": "pass"}, "every limit"),
        ({"not_judged": ("looks", "resistance")}, "not judged: looks, resistance"),
        ({"not_judged": ("looks", "resistance"), "only": "pull"}, "not judged: looks)"),
    ],
)
def test_what_was_not_judged_does_not_count_and_is_told(row: dict[str, Any], says: str) -> None:
    rows = [sample(place, "undecided", **row) for place in range(3)]
    finding = progress_of(PLAN, NEST, history(*rows)).finding
    assert (finding.outcome, finding.missing) == (None, PLAN.first_stage)
    assert says in finding.reasons[0]
    judged = [sample(place) for place in range(3, 3 + PLAN.first_stage)]
    finding = progress_of(PLAN, NEST, history(*rows, *judged)).finding
    assert finding.outcome == "released"
    assert says in finding.reasons[-1]


def test_a_nest_that_a_look_holds_names_the_look() -> None:
    row = sample(0, "fail", condemned_by=("Is the sleeve whole?",))
    finding = progress_of(PLAN, NEST, history(row)).finding
    assert finding.outcome == "held"
    assert "Failed by a look: Is the sleeve whole? No." in finding.reasons[0]
    assert "limit" not in finding.reasons[0]


def test_a_sample_judged_by_other_limits_shows_no_pass() -> None:
    strict = replace(NEST, judged_by=("strict",))
    rows = [sample(place) for place in range(3)]
    finding = progress_of(PLAN, strict, history(*rows)).finding
    assert (finding.outcome, finding.missing) == (None, PLAN.first_stage)
    bad = sample(0, "fail", measured_verdict="fail")
    assert progress_of(PLAN, strict, history(bad)).finding.outcome == "held"


def test_a_check_says_what_is_left_and_what_it_came_to() -> None:
    other = replace(NEST, nest="blue")
    progress = [progress_of(PLAN, NEST, history(sample(0))), progress_of(PLAN, other, history())]
    standing = state_of(progress, {})
    assert [(step.nest, step.left) for step in standing.steps] == [("red", 2), ("blue", 3)]
    assert standing.outcome is None
    done = progress_of(PLAN, NEST, history(*[sample(place) for place in range(3)]))
    standing = state_of([done], {("Wren", "blue"): "watch"})
    assert standing.next is None
    assert standing.outcome is not None
    assert standing.outcome.word == "watch"


def test_the_outcome_is_that_of_the_worst_nest() -> None:
    assert outcome_of({("A", "1"): "released", ("A", "2"): "held"}).word == "held"
    assert outcome_of({("A", "1"): "released"}, [("A", "2")]).word == "broken off"
    assert outcome_of({("A", "1"): "held"}, [("A", "2")]).word == "held"


@pytest.mark.parametrize(
    ("known", "due", "says"),
    [
        ({}, True, "never checked"),
        ({"checked_on": date(2031, 3, 3), "outcome": "released"}, True, "2031-03-03"),
        ({"checked_on": date(2031, 3, 3), "outcome": "watch"}, True, "on watch"),
        ({"checked_on": date(2031, 3, 4), "outcome": "released"}, False, "Checked on"),
        (
            {"checked_on": date(2031, 3, 4), "outcome": "held", "serviced_since": True},
            True,
            "serviced",
        ),
        ({"open_job": "j"}, True, "not finished"),
        ({"held": "A sample failed."}, False, "Held: A sample failed."),
    ],
)
def test_a_nest_is_due_for_a_reason(known: dict[str, object], due: bool, says: str) -> None:
    last = LastCheck("Wren", "red", **known)  # type: ignore[arg-type]
    (found,) = due_today(PLAN, [last], date(2031, 3, 4))
    assert found.due is due
    assert says in found.reason


def missing(*rows: SampleRow, steady: bool = True, known: bool = True) -> int:
    """Samples that the lean plan still asks for."""
    assert isinstance(LEAN, DailyCheckPlan)
    nest = replace(NEST, steady=steady)
    return progress_of(LEAN, nest, history(*rows, known=known)).finding.missing


def test_a_long_steady_nest_is_asked_for_one_sample() -> None:
    assert missing() == 1
    assert missing(sample(0, peak_n=160.0)) == 0
    assert missing(steady=False) == 3


def test_an_odd_sample_of_a_long_steady_nest_is_answered_by_the_second_stage_once() -> None:
    # Two deviations below the baseline: a force of 144 N.
    odd = sample(0, peak_n=144.0)
    assert missing(odd) == 5
    assert missing(odd, *(sample(place, peak_n=160.0) for place in range(1, 6))) == 0
    doubtful = sample(0, "undecided", peak_n=100.4, measured_verdict="undecided")
    assert missing(doubtful) == 5
    assert missing(doubtful, *(sample(place, peak_n=160.0) for place in range(1, 6))) == 0


def test_a_joint_without_a_baseline_is_asked_for_all() -> None:
    assert missing(sample(0), known=False) == 2


def test_a_plan_without_a_word_on_steady_nests_asks_the_same_of_all() -> None:
    nest = replace(NEST, steady=True)
    assert progress_of(PLAN, nest, history()).finding.missing == PLAN.first_stage
