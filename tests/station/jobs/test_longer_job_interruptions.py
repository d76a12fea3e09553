"""A validation and a certification whose station is killed in mid-sample go on next day."""

import random
from datetime import UTC, datetime
from pathlib import Path

import pytest

from station.bench.bench import Bench
from station.crimp.facts import shipped_book
from station.errors import BadInput, CalibrationNeeded
from station.files import DATA, read_toml
from station.instruments.bay import InstrumentBay
from station.jobs.certification import acts as certifications
from station.jobs.certification import blind as blind
from station.jobs.certification.blind import judge, pool, show_key
from station.jobs.certification.plan import CertificationPlan
from station.jobs.certification.record import Certification, CertificationScope
from station.jobs.certification.record import read as read_certification
from station.jobs.sample_order import SampleOrder
from station.jobs.validation import record as validations
from station.jobs.validation.plan import ToolValidationPlan
from station.jobs.validation.record import Validation, enter_crimp_heights, enter_nest_gauge
from station.jobs.validation.record import end as end_validation
from station.jobs.validation.record import read as read_validation
from station.jobs.validation.steps import ValidationScope
from station.ledger.rows import SampleRow
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import Settings
from station.simulation.demo import demo_limit_sets
from tests.doors import Person
from tests.station.jobs.invented_samples import JOINT, normal_forces
from tests.station.jobs.job_child import STEPS
from tests.station.jobs.recorded import Clock, check_instruments, people_and_tools, take
from tests.station.jobs.test_job_interruptions import kill_at

LIMIT_SET = "tern-lane-shop"
LEA = Person("Lea", "lead")
BEN, DAG = Person("Ben", "installer"), Person("Dag", "apprentice")
BOOK = shipped_book()
PULLED = "failure_mode"
"""Of the steps the one at which the pull was made, and its force is not on record yet."""

PLAN = read_toml(DATA / "plans" / "tool-validation.toml", ToolValidationPlan)
SHORT_VALIDATION = PLAN.model_copy(update={"samples_per_joint": 10, "coverage": 0.95})
SCOPE = ValidationScope("Egret", (JOINT,), LIMIT_SET, 1.645)
FORCES = normal_forces(10, 145.0, 8.0)
OHMS = normal_forces(10, 0.25e-3, 0.01e-3)

CERTIFICATE = read_toml(DATA / "plans" / "certification.toml", CertificationPlan)
SHORT_CERTIFICATION = CERTIFICATE.model_copy(
    update={"tasks": CERTIFICATE.tasks[:2], "samples_per_task": 15}
)
CANDIDACY = CertificationScope("Dag", "Egret", {"red": "red", "blue": "blue"}, LIMIT_SET, 1.645)


@pytest.fixture
def clock() -> Clock:
    return Clock(datetime.now(UTC))


@pytest.fixture
def path(tmp_path: Path, clock: Clock) -> Path:
    path = tmp_path / "bench.ledger"
    with Ledger.open(path, clock=clock) as ledger:
        people_and_tools(ledger)
        check_instruments(ledger)
    return path


def interrupted(ledger: Ledger, step: str) -> SampleRow:
    """The sample that the killed station left: begun, and known to be pulled if it was."""
    (left,) = ledger.reader.unfinished()
    assert (left.pull_begun_seq is not None) == (step == PULLED)
    return left


def look(ledger: Ledger, job_id: str) -> Validation:
    return read_validation(ledger.reader, job_id)


def next_sample(ledger: Ledger, job_id: str, clock: Clock, person: str) -> SampleOrder:
    job = look(ledger, job_id)
    return validations.order(ledger, job, None, person=person, now=clock.at)


def begin_validation(ledger: Ledger, clock: Clock) -> str:
    """Begin one, look at its nest, and make two samples."""
    job_id = validations.begin(ledger, SHORT_VALIDATION, SCOPE, demo_limit_sets(), person="Ben")
    job = look(ledger, job_id)
    enter_nest_gauge(ledger, job, "red", "", go_enters=False, no_go_stops=False, person="Ben")
    enter_crimp_heights(ledger, job, JOINT.key, [], 0.0, 0.0, person="Ben")
    for force_n, splice_ohm in zip(FORCES[:2], OHMS[:2], strict=True):
        take(ledger, next_sample(ledger, job_id, clock, "Ben"), force_n, splice_ohm)
    return job_id


@pytest.mark.parametrize("step", STEPS)
def test_a_validation_killed_in_mid_sample(path: Path, clock: Clock, step: str) -> None:
    with Ledger.open(path, clock=clock) as ledger:
        job_id = begin_validation(ledger, clock)
    kill_at(path, job_id, step)
    clock.move(hours=25)
    with Ledger.open(path, clock=clock) as ledger:
        left = interrupted(ledger, step)
        assert (left.job_id, left.person) == (job_id, "Ben")
        # Next day the gauges are checked anew, and somebody else goes on where it was.
        steps = validations.next_steps(ledger.reader, look(ledger, job_id), clock.at)
        assert [one.name for one in steps] == ["check", "check", "sample"]
        assert "sample 3 of 10" in steps[-1].words
        with pytest.raises(CalibrationNeeded, match="older than"):
            next_sample(ledger, job_id, clock, "Ida")
        check_instruments(ledger)
        order = next_sample(ledger, job_id, clock, "Ida")
        assert (order.person, order.offered_again_for) == ("Ida", left.sample_id)
        for number in range(2, 10):
            order = next_sample(ledger, job_id, clock, "Ida")
            take(ledger, order, FORCES[number], OHMS[number])
            # The one that was lost counts as void, so that no plug pulled hides a weak sample.
            joint = look(ledger, job_id).result.joints[0]
            assert (len(joint.counted), joint.voids) == (number + 1, 1)
        ended = end_validation(ledger, look(ledger, job_id), LEA)
        assert ended.outcome == "accepted"
        baseline = ledger.reader.baselines()[JOINT.key]
        assert baseline.n == 10
        assert left.sample_id not in baseline.sample_ids
        assert verify_ledger(ledger.path).first_bad is None


def candidacy(ledger: Ledger, job_id: str) -> Certification:
    return read_certification(ledger.reader, job_id)


def measure(ledger: Ledger, code: str, person: str) -> None:
    order = blind.order(ledger.reader, code, person=person)
    take(ledger, order, 140.0 + random.Random(code).gauss(0.0, 4.0))


def begin_certification(ledger: Ledger, clock: Clock) -> tuple[str, str]:
    """Begin one and measure two samples; return its id and a code that is judged meanwhile."""
    job_id = certifications.begin(
        ledger, SHORT_CERTIFICATION, CANDIDACY, demo_limit_sets(), LEA, now=clock.at
    )
    show_key(ledger, candidacy(ledger, job_id), BEN)
    key = candidacy(ledger, job_id).key
    codes = [one.code for one in pool(ledger.reader).samples if key[one.code].part == "candidate"]
    for code in codes[:3]:
        judge(ledger, code, (), BOOK, LEA)
    for code in codes[:2]:
        measure(ledger, code, "Lea")
    return job_id, codes[2]


def void_at_the_bench(path: Path, sample_id: str) -> None:
    with Ledger.open(path, create=False) as ledger:
        settings = Settings()
        bench = Bench(
            settings=settings,
            ledger=ledger,
            bay=InstrumentBay(settings),
            limit_sets=demo_limit_sets(),
            connectors=BOOK,
        )
        bench.void_unfinished(sample_id, "Lea", "the power was cut")
        with pytest.raises(BadInput, match="not waiting"):
            bench.void_unfinished(sample_id, "Lea", "the power was cut")
        bench.close()


@pytest.mark.parametrize("step", STEPS)
def test_a_certification_killed_in_mid_sample(path: Path, clock: Clock, step: str) -> None:
    with Ledger.open(path, clock=clock) as ledger:
        job_id, code = begin_certification(ledger, clock)
        waited = {one.code for one in pool(ledger.reader).samples}
    kill_at(path, job_id, step)
    clock.move(hours=25)
    with Ledger.open(path, clock=clock) as ledger:
        left = interrupted(ledger, step)
        assert (left.step, left.person) == (code, "Ida")
        # It waits where it was, judged already, and another lead measures it.
        assert {one.code for one in pool(ledger.reader).samples} == waited
        assert pool(ledger.reader).demand(code).judged is not None
        if step != PULLED:
            order = blind.order(ledger.reader, code, person="Lea")
            assert order.offered_again_for == left.sample_id
            measure(ledger, code, "Lea")
        else:
            # The crimp that was labelled is gone: no other is measured under its code.
            with pytest.raises(BadInput, match="force is not on record"):
                blind.order(ledger.reader, code, person="Lea")
    if step == PULLED:
        void_at_the_bench(path, left.sample_id)
    with Ledger.open(path, clock=clock) as ledger:
        called = {one.code for one in pool(ledger.reader).samples} - waited
        assert len(called) == (1 if step == PULLED else 0)
        finish_certification(ledger, job_id)
        job = candidacy(ledger, job_id)
        assert sum(task.voids for task in job.result.tasks) == len(called)
        ended = certifications.end(ledger, job, person="Lea", today=clock.at.date())
        assert ended.outcome == "certified"
        assert ended.figures["n"] == 30
        assert verify_ledger(ledger.path).first_bad is None


def finish_certification(ledger: Ledger, job_id: str) -> None:
    while waiting := pool(ledger.reader).samples:
        for sample in waiting:
            judge(ledger, sample.code, (), BOOK, LEA)
            measure(ledger, sample.code, "Lea")
    certifications.sign(ledger, candidacy(ledger, job_id), LEA)
    certifications.acknowledge(ledger, candidacy(ledger, job_id), DAG)
