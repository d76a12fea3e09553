"""Jobs over a real ledger: a daily check begun, broken off, gone on with, and held."""

import threading
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from station.errors import BadInput, NestOnHold, NotAllowed
from station.files import DATA
from station.jobs.open_jobs import OpenJobs
from station.jobs.plans import load_plans
from station.ledger.entries import Correction, WorkDone
from station.ledger.jobs import holds, jobs
from station.settings import Settings
from station.shop.nests import since_good_check
from station.simulation.workshop import reel
from tests.station.jobs.job_hands import CLOSE_N, STRONG_N, TOOL, WEAK_N, Shop
from tests.web.invented import begun, order_of


def held_nests(shop: Shop) -> list[tuple[str, str]]:
    return [(row.nest, row.needs) for row in holds(shop.ledger.reader)]


def test_a_check_goes_from_due_to_released(shop: Shop) -> None:
    plan = load_plans()["daily-check"]
    assert [item.due for item in shop.jobs.due()] == [True] * 3
    job_id = shop.begin("red")
    for left in (3, 2, 1):
        step = shop.jobs.state(job_id).next
        assert step is not None
        assert (step.nest, step.left) == ("red", left)
        shop.make(job_id)
    record = shop.jobs.record(job_id)
    assert record.ended is not None
    assert record.ended.outcome == "released"
    assert record.begun.plan == plan.model_dump(mode="json")
    assert shop.jobs.state(job_id).next is None
    due = {item.last.nest: item for item in shop.jobs.due()}
    assert not due["red"].due
    assert due["blue"].due


def test_each_nest_of_a_check_has_its_own_outcome(shop: Shop) -> None:
    job_id = shop.begin("red", "yellow", "blue")
    for nest in ("red", "red", "blue", "red", "yellow"):
        shop.make(job_id, nest=nest)
    shop.make(job_id, WEAK_N, nest="blue")
    assert held_nests(shop) == [("blue", "service")]
    assert [step.nest for step in shop.jobs.state(job_id).steps] == ["yellow"]
    for _ in range(2):
        shop.make(job_id, nest="yellow")
    record = shop.jobs.record(job_id)
    words = {taken.step.content["nest"]: taken.step.content["outcome"] for taken in record.steps}
    assert words == {"red": "released", "blue": "held", "yellow": "watch"}
    assert shop.outcome(job_id) == "held"


def test_a_held_nest_is_refused_for_all_but_its_way_back(shop: Shop) -> None:
    shop.make(shop.begin("red"), WEAK_N)
    assert held_nests(shop) == [("red", "service")]
    for job in ("daily_check", "certification", "comparison"):
        with pytest.raises(NestOnHold, match="held since"):
            shop.jobs.order(replace(order_of("Bo Invented", "red"), job=job))
    with pytest.raises(NestOnHold):
        shop.begin("red")
    for job in ("service", "tool_validation"):
        shop.jobs.order(replace(order_of("Bo Invented", "red"), job=job))
    shop.jobs.order(order_of("Bo Invented", "blue"))


def test_a_nest_comes_back_after_service_baseline_and_a_lead(shop: Shop) -> None:
    nests = shop.jobs.nests
    shop.make(shop.begin("red"), WEAK_N)
    with pytest.raises(NotAllowed, match="lead"):
        nests.release(TOOL, "red", "looks fine", "Bo Invented")
    with pytest.raises(BadInput, match="not serviced"):
        nests.release(TOOL, "red", "looks fine", "Ann Example")
    with pytest.raises(NotAllowed, match="lead"):
        nests.service(TOOL, "red", "new die", "Cy Invented")
    nests.service(TOOL, "red", "new die", "Ann Example")
    with pytest.raises(BadInput, match="no new baseline"):
        nests.release(TOOL, "red", "new die", "Ann Example")
    shop.ledger.append(shop.new_baseline("red"), person="Ann Example")
    nests.release(TOOL, "red", "new die, validated", "Ann Example")
    assert held_nests(shop) == []
    job_id = shop.begin("red")
    for _ in range(3):
        shop.make(job_id)
    assert shop.outcome(job_id) == "released"
    with pytest.raises(BadInput, match="not held"):
        nests.release(TOOL, "red", "again", "Ann Example")


def test_too_many_voids_need_a_lead_and_the_samples_still_count(shop: Shop) -> None:
    job_id = shop.begin("red")
    shop.make(job_id, CLOSE_N)
    for _ in range(3):
        shop.make(job_id, void_reason="the meter was silent")
    assert held_nests(shop) == [("red", "lead")]
    assert shop.outcome(job_id) == "held"
    shop.jobs.nests.release(TOOL, "red", "a loose cable", "Ann Example")
    again = shop.begin("red")
    step = shop.jobs.state(again).next
    assert step is not None
    assert step.left == 2
    shop.make(again)
    shop.make(again)
    step = shop.jobs.state(again).next
    assert step is not None
    assert (step.name, step.left) == ("second stage", 5)


def test_a_check_broken_off_counts_in_the_next_one(shop: Shop) -> None:
    job_id = shop.begin("red")
    shop.make(job_id)
    shop.make(job_id, CLOSE_N)
    ended = shop.jobs.end(job_id, person="Cy Invented")
    assert ended.outcome == "broken off"
    shop.next_day()
    step = shop.jobs.state(shop.begin("red")).next
    assert step is not None
    assert step.left == 1


def test_samples_made_beforehand_count(shop: Shop) -> None:
    for _ in range(2):
        shop.make(None)
    job_id = shop.begin("red")
    step = shop.jobs.state(job_id).next
    assert step is not None
    assert step.left == 1
    with pytest.raises(BadInput, match="make the sample there"):
        shop.order(None)
    with pytest.raises(BadInput, match="go on there"):
        shop.begin("red")


def test_a_bad_sample_made_beforehand_holds_the_nest_when_its_check_begins(shop: Shop) -> None:
    shop.make(None, WEAK_N)
    assert shop.outcome(shop.begin("red")) == "held"
    assert held_nests(shop) == [("red", "service")]


def test_the_limits_are_fixed_when_the_check_begins(shop: Shop) -> None:
    job_id = shop.begin("red")
    lax = replace(order_of("Bo Invented", "red"), job_id=job_id, limit_set="mil-t-7928")
    with pytest.raises(BadInput, match="judges by the limit set"):
        shop.jobs.order(lax)


def test_correcting_a_fail_away_does_not_help(shop: Shop) -> None:
    shop.make(None, WEAK_N)
    row = shop.ledger.reader.samples(limit=1)[0]
    away = Correction(corrects_id=row.sample_id, reason="my mistake", void_sample=True)
    shop.ledger.append(away, person="Bo Invented")
    assert shop.outcome(shop.begin("red")) == "held"


def test_a_finding_that_was_not_entered_is_made_up_for(shop: Shop) -> None:
    job_id = shop.begin("red", "blue")
    shop.make(job_id, WEAK_N, settle=False)
    shop.start_again()
    with pytest.raises(NestOnHold):
        shop.order(None)
    assert held_nests(shop) == [("red", "service")]


def test_it_goes_on_next_day_with_another_person(shop: Shop) -> None:
    job_id = shop.begin("red", person="Ann Example")
    shop.make(job_id, person="Ann Example")
    shop.next_day()
    shop.start_again()
    for _ in range(2):
        shop.make(job_id, person="Cy Invented")
    record = shop.jobs.record(job_id)
    assert [row.person for row in record.samples] == ["Ann Example"] + ["Cy Invented"] * 2
    assert shop.outcome(job_id) == "released"


def test_an_unfinished_sample_is_named_and_keeps_the_job_open(shop: Shop) -> None:
    job_id = shop.begin("red")
    sample_id = shop.ledger.append(begun(shop.order(job_id)), person="Bo Invented").id
    assert sample_id in shop.jobs.state(job_id).lines[0]
    with pytest.raises(BadInput, match="in hand"):
        shop.jobs.end(job_id, person="Bo Invented")
    with pytest.raises(BadInput, match="never finished"):
        shop.order(job_id)
    again = shop.order(job_id, again_for=sample_id)
    shop.ledger.append(begun(again), person="Bo Invented")
    assert sample_id not in "".join(shop.jobs.state(job_id).lines)


def test_holding_lists_what_went_through_since_the_last_good_check(shop: Shop) -> None:
    good = shop.begin("red")
    early = [shop.make(good) for _ in range(3)]
    today = shop.ledger.reader.samples(limit=1)[0].at_utc.astimezone().date()
    for day, order, nest in ((-1, "W-0", "red"), (0, "W-1", "red"), (0, "W-2", "blue")):
        done = WorkDone(day=today + timedelta(days=day), work_order=order, tool=TOOL, nest=nest)
        shop.ledger.append(done, person="Bo Invented")
    late = [shop.make(None), shop.make(shop.begin("red"), WEAK_N)]
    since = since_good_check(shop.ledger.reader, TOOL, "red")
    assert [row.sample_id for row in since.samples] == [item.sample_id for item in late]
    assert not {row.sample_id for row in since.samples} & {item.sample_id for item in early}
    assert [row.work_order for row in since.work] == ["W-1"]
    held = next(
        taken.step.content
        for row in jobs(shop.ledger.reader)
        for taken in shop.jobs.record(row.job_id).steps
        if taken.step.content["outcome"] == "held"
    )
    assert held["since_last_good"] == since.as_document()


def test_work_is_logged_for_known_nests_and_days(shop: Shop) -> None:
    nests = shop.jobs.nests
    nests.log_work(TOOL, "red", "W-7", "Bo Invented", note="van loom")
    for bad, says in (
        ({"nest": "green"}, "no nest"),
        ({"tool": "Nothing"}, "no tool"),
        ({"work_order": " "}, "work order"),
        ({"day": date(2031, 3, 9)}, "to come"),
    ):
        call = {"tool": TOOL, "nest": "red", "work_order": "W-8", "person": "Bo Invented"} | bad
        with pytest.raises(BadInput, match=says):
            nests.log_work(**call)
    with pytest.raises(NotAllowed, match="not on record"):
        nests.log_work(TOOL, "red", "W-8", "A stranger")


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ([], "Say which nests"),
        ([("Nothing", "red")], "no nest"),
    ],
)
def test_a_check_of_nothing_is_refused(shop: Shop, asked: list[tuple[str, str]], says: str) -> None:
    before = shop.ledger.reader.counts().entries
    with pytest.raises(BadInput, match=says):
        shop.jobs.begin_check(asked, person="Bo Invented")
    assert shop.ledger.reader.counts().entries == before


def test_a_job_is_refused_what_is_not_its_own(shop: Shop) -> None:
    job_id = shop.begin("red")
    with pytest.raises(BadInput, match="wants no sample"):
        shop.order(job_id, nest="blue")
    with pytest.raises(BadInput, match="is a daily check, not a tool validation"):
        shop.jobs.order(
            replace(order_of("Bo Invented", "red"), job="tool_validation", job_id=job_id)
        )
    with pytest.raises(NotAllowed, match="not on record"):
        shop.jobs.end(job_id, person="A stranger")
    shop.jobs.end(job_id, person="Bo Invented")
    for late in (
        lambda: shop.order(job_id),
        lambda: shop.jobs.end(job_id, person="Bo Invented"),
    ):
        with pytest.raises(BadInput, match="has ended"):
            late()


def test_a_strong_sample_stays_strong(shop: Shop) -> None:
    assert shop.make(None, STRONG_N).verdict == "pass"
    assert shop.make(None, CLOSE_N, nest="blue").verdict == "undecided"


def test_people_who_begin_the_same_check_together_get_one_job(shop: Shop) -> None:
    start = threading.Barrier(4)
    refusals: list[str] = []

    def begin() -> None:
        start.wait()
        try:
            shop.begin("red")
        except BadInput as refused:
            refusals.append(str(refused))

    threads = [threading.Thread(target=begin) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(jobs(shop.ledger.reader, only_open=True)) == 1
    assert [("is being checked in job" in refused) for refused in refusals] == [True] * 3


def test_a_long_steady_nest_is_asked_for_less_until_something_changes(
    shop: Shop, tmp_path: Path
) -> None:
    text = (DATA / "plans" / "daily-check-lean.toml").read_text(encoding="utf-8")
    text = text.replace('id = "daily-check-lean"', 'id = "own"')
    text = text.replace("after_checks = 10", "after_checks = 2").replace("= 1.8", "= 9.0")
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    settings = Settings(plans_folder=tmp_path, daily_plan="own")
    shop.jobs = OpenJobs(shop.ledger, settings, now=lambda: shop.clock.now)

    def asked() -> int:
        """Check the nest, and say how many samples that took."""
        job_id, made = shop.begin("red"), 0
        while shop.jobs.state(job_id).next is not None:
            shop.make(job_id)
            made += 1
        assert shop.outcome(job_id) == "released"
        shop.next_day()
        return made

    assert [asked() for _ in range(4)] == [3, 3, 1, 1]
    shop.ledger.append(reel("18 AWG"), person="Ann Example")
    assert [asked() for _ in range(2)] == [3, 1]
    shop.ledger.append(shop.new_baseline("red"), person="Ann Example")
    assert [asked() for _ in range(3)] == [3, 3, 1]
    shop.jobs.nests.service(TOOL, "red", "Cleaned", "Ann Example")
    assert [asked() for _ in range(3)] == [3, 3, 1]
    shop.jobs.nests.hold(TOOL, "red", "Dropped", "Ann Example")
    shop.jobs.nests.service(TOOL, "red", "Cleaned", "Ann Example")
    third = shop.new_baseline("red").model_copy(update={"baseline_version": 3})
    shop.ledger.append(third, person="Ann Example")
    shop.jobs.nests.release(TOOL, "red", "Validated", "Ann Example")
    assert [asked() for _ in range(3)] == [3, 3, 1]


def test_an_unknown_daily_plan_is_refused_by_name(shop: Shop) -> None:
    shop.jobs = OpenJobs(shop.ledger, Settings(daily_plan="none"), now=lambda: shop.clock.now)
    with pytest.raises(BadInput, match=r"no plan 'none'.*daily-check-lean, daily-check"):
        shop.begin("red")
