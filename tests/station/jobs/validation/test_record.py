from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from station.crimp.facts import load_limit_sets
from station.errors import BadInput, CalibrationNeeded, NoLimit, NotAllowed
from station.files import DATA, read_toml
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.record import Validation, enter_crimp_heights, enter_nest_gauge
from station.jobs.validation.record import begin as begin_validation
from station.jobs.validation.record import end as end_validation
from station.jobs.validation.record import next_steps as next_of
from station.jobs.validation.record import order as order_for
from station.jobs.validation.record import read as read_validation
from station.jobs.validation.steps import ValidationScope
from station.ledger.chain import Moment
from station.ledger.entries import BaselineSet, Correction
from station.ledger.store import Ledger
from station.simulation.demo import demo_limit_sets
from tests.doors import Person
from tests.station.jobs.invented_samples import JOINT, normal_forces
from tests.station.jobs.recorded import Clock, check_instruments, people_and_tools, take
from tests.station.jobs.validation.test_judge import BLUE

PLAN = read_toml(DATA / "plans" / "tool-validation.toml", ToolValidationPlan)
LEAD = Person("Lea", "lead")
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
SCOPE = ValidationScope("Egret", (JOINT,), "tern-lane-shop", 1.645, replaces="Crane")
FORCES = normal_forces(30, 145.0, 8.0)
OHMS = normal_forces(30, 0.25e-3, 0.01e-3)


@pytest.fixture
def clock() -> Clock:
    return Clock(START)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.ledger"


@pytest.fixture
def ledger(path: Path, clock: Callable[[], Moment]) -> Iterator[Ledger]:
    with Ledger.open(path, clock=clock) as opened:
        people_and_tools(opened)
        yield opened


def begin(ledger: Ledger, scope: ValidationScope = SCOPE) -> str:
    return begin_validation(ledger, PLAN, scope, demo_limit_sets(), person="Ben")


def look(ledger: Ledger, job_id: str) -> Validation:
    return read_validation(ledger.reader, job_id)


def names(ledger: Ledger, job_id: str, clock: Clock) -> list[str]:
    return [step.name for step in next_of(ledger.reader, look(ledger, job_id), clock.at)]


def sample(ledger: Ledger, job_id: str, clock: Clock, number: int) -> str:
    order = order_for(ledger, look(ledger, job_id), None, person="Ben", now=clock.at)
    return take(ledger, order, FORCES[number], OHMS[number])


def no_gauges(ledger: Ledger, job_id: str) -> None:
    job = look(ledger, job_id)
    for nest in job.scope.nests:
        enter_nest_gauge(ledger, job, nest, "", go_enters=False, no_go_stops=False, person="Ben")
    for joint in job.scope.joints:
        enter_crimp_heights(ledger, job, joint.key, [], 0.0, 0.0, person="Ben")


def test_from_start_to_baseline(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger)
    assert names(ledger, job_id, clock) == [
        "check", "check", "nest_gauge", "crimp_height", "sample",
    ]  # fmt: skip
    check_instruments(ledger)
    no_gauges(ledger, job_id)
    assert names(ledger, job_id, clock) == ["sample"]
    for number in range(30):
        sample(ledger, job_id, clock, number)
    assert names(ledger, job_id, clock) == ["end"]
    ended = end_validation(ledger, look(ledger, job_id), LEAD)
    assert ended.outcome == "accepted"
    assert ended.signatures == ("Lea",)
    assert names(ledger, job_id, clock) == []
    baseline = ledger.reader.baselines()[JOINT.key]
    assert (baseline.n, baseline.baseline_version) == (30, 1)
    assert baseline.force_ratio_center == pytest.approx(145.0 / 89.0)
    assert len(ended.figures["joints"][0]["findings"]) == 2  # type: ignore[call-overload, index, arg-type]


def test_goes_on_after_every_step_from_the_file_alone(path: Path, clock: Clock) -> None:
    """The station is stopped after each step and the next one is done by somebody else."""
    with Ledger.open(path, clock=clock) as ledger:
        people_and_tools(ledger)
        check_instruments(ledger)
        job_id = begin(ledger)
    for number in range(32):
        clock.move(minutes=30)
        with Ledger.open(path, clock=clock) as ledger:
            if number == 0:
                no_gauges(ledger, job_id)
                continue
            steps = next_of(ledger.reader, look(ledger, job_id), clock.at)
            assert steps[0].name == ("sample" if number < 31 else "end")
            if number < 31:
                assert f"sample {number} of 30" in steps[0].words
                sample(ledger, job_id, clock, number - 1)
    with Ledger.open(path, clock=clock) as ledger:
        assert end_validation(ledger, look(ledger, job_id), LEAD).outcome == "accepted"


def test_next_day_the_gauges_are_checked_again(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = begin(ledger)
    no_gauges(ledger, job_id)
    sample(ledger, job_id, clock, 0)
    clock.move(hours=25)
    with pytest.raises(CalibrationNeeded, match="older than 24 hours"):
        sample(ledger, job_id, clock, 1)
    assert names(ledger, job_id, clock) == ["check", "check", "sample"]
    check_instruments(ledger)
    sample(ledger, job_id, clock, 1)
    assert len(look(ledger, job_id).record.steps_named("gauge_check")) == 2
    check_instruments(ledger, passed=False)
    with pytest.raises(CalibrationNeeded, match="failed"):
        sample(ledger, job_id, clock, 2)


def test_interrupted_sample_does_not_count_until_finished(ledger: Ledger, clock: Clock) -> None:
    from station.ledger.entries import SampleBegun

    check_instruments(ledger)
    job_id = begin(ledger)
    begun = SampleBegun(
        job="tool_validation", joint=JOINT, limit_set="tern-lane-shop", job_id=job_id
    )
    lost = ledger.append(begun, person="Ben").id
    assert look(ledger, job_id).result.joints[0].missing == 30
    order = order_for(ledger, look(ledger, job_id), None, person="Ida", now=clock.at)
    assert order.offered_again_for == lost
    take(ledger, order, 140.0)
    joint = look(ledger, job_id).result.joints[0]
    assert (joint.missing, joint.voids) == (29, 1)


def test_lead_only_ends_it(ledger: Ledger, clock: Clock) -> None:
    job_id = begin(ledger)
    for person in (Person("Dag", "apprentice"), Person("Ben", "installer")):
        with pytest.raises(NotAllowed, match="a lead must"):
            end_validation(ledger, look(ledger, job_id), person, give_up=True)
    with pytest.raises(BadInput, match="not finished"):
        end_validation(ledger, look(ledger, job_id), LEAD)
    assert (
        end_validation(ledger, look(ledger, job_id), LEAD, give_up=True).outcome == "not_finished"
    )
    with pytest.raises(BadInput, match="has ended"):
        end_validation(ledger, look(ledger, job_id), LEAD, give_up=True)
    assert not ledger.reader.baselines()


def test_refused_tool_sets_no_baseline(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = begin(ledger)
    order = order_for(ledger, look(ledger, job_id), None, person="Ben", now=clock.at)
    take(ledger, order, 60.0)
    assert names(ledger, job_id, clock) == ["end"]
    with pytest.raises(BadInput, match="No sample is missing"):
        order_for(ledger, look(ledger, job_id), None, person="Ben", now=clock.at)
    ended = end_validation(ledger, look(ledger, job_id), LEAD)
    assert ended.outcome == "refused"
    assert not list(ledger.reader.entries(BaselineSet.KIND))


def test_corrections_are_heard(ledger: Ledger, clock: Clock) -> None:
    check_instruments(ledger)
    job_id = begin(ledger)
    order = order_for(ledger, look(ledger, job_id), None, person="Ben", now=clock.at)
    sample_id = take(ledger, order, 60.0)
    assert look(ledger, job_id).result.joints[0].state == "refused"
    void = Correction(corrects_id=sample_id, reason="wrong reel", void_sample=True)
    ledger.append(void, person="Lea")
    joint = look(ledger, job_id).result.joints[0]
    assert (joint.state, joint.voids, joint.missing) == ("not_finished", 1, 30)


def test_compares_with_the_tool_it_replaces(ledger: Ledger, clock: Clock) -> None:
    from station.jobs.sample_order import SampleOrder

    old = JOINT.model_copy(update={"tool": "Crane"})
    for force in normal_forces(12, 120.0, 8.0):
        take(ledger, SampleOrder("Ben", "daily_check", old, "tern-lane-shop"), force, 0.3e-3)
    check_instruments(ledger)
    job_id = begin(ledger)
    no_gauges(ledger, job_id)
    for number in range(30):
        sample(ledger, job_id, clock, number)
    ended = end_validation(ledger, look(ledger, job_id), LEAD)
    replaced = ended.figures["joints"][0]["replaced"]  # type: ignore[call-overload, index]
    assert replaced["n_old"] == 12  # type: ignore[index, call-overload]
    assert replaced["force_difference_n"]["value"] == pytest.approx(25.0)  # type: ignore[index, call-overload]
    assert replaced["force_difference_n"]["low"] > 15.0  # type: ignore[index, call-overload, operator]


def test_scope_is_checked_before_anything_is_written(ledger: Ledger) -> None:
    before = ledger.reader.counts().entries
    bad = [
        ValidationScope("Nobody", (JOINT,), "tern-lane-shop", 1.645),
        ValidationScope("Egret", (), "tern-lane-shop", 1.645),
        ValidationScope("Egret", (JOINT, JOINT), "tern-lane-shop", 1.645),
        ValidationScope("Crane", (JOINT,), "tern-lane-shop", 1.645),
        ValidationScope(
            "Egret", (JOINT.model_copy(update={"nest": "green"}),), "tern-lane-shop", 1.645
        ),
    ]
    for scope in bad:
        with pytest.raises(BadInput):
            begin(ledger, scope)
    thick = JOINT.model_copy(update={"wires": ("6 AWG", "6 AWG")})
    with pytest.raises(NoLimit):
        begin(ledger, ValidationScope("Egret", (thick,), "tern-lane-shop", 1.645))
    assert ledger.reader.counts().entries == before
    assert "tern-lane-shop" not in load_limit_sets().ids


def test_a_tool_is_validated_once_at_a_time(ledger: Ledger) -> None:
    job_id = begin(ledger)
    entries = ledger.reader.counts().entries
    with pytest.raises(BadInput, match=f"being validated already.*{job_id}"):
        begin(ledger)
    assert ledger.reader.counts().entries == entries


def test_looks_are_checked(ledger: Ledger) -> None:
    job = look(ledger, begin(ledger))
    with pytest.raises(BadInput, match="not validated here"):
        enter_nest_gauge(ledger, job, "blue", "G", go_enters=True, no_go_stops=True, person="Ben")
    with pytest.raises(BadInput, match="not validated here"):
        enter_crimp_heights(ledger, job, BLUE.key, [2.0] * 3, 1.9, 2.1, person="Ben")
    with pytest.raises(BadInput, match="Measure 3 crimps"):
        enter_crimp_heights(ledger, job, JOINT.key, [2.0], 1.9, 2.1, person="Ben")
    with pytest.raises(BadInput, match="above zero"):
        enter_crimp_heights(ledger, job, JOINT.key, [2.0] * 3, 2.1, 1.9, person="Ben")
    bad = enter_crimp_heights(ledger, job, JOINT.key, [2.0, 2.0, 2.2], 1.9, 2.1, person="Ben")
    assert bad.good is False
    good = enter_nest_gauge(
        ledger, job, "red", "G-7", go_enters=True, no_go_stops=True, person="Ben"
    )
    assert good.good is True
    assert look(ledger, job.job_id).result.joints[0].state == "refused"
