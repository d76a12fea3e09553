"""What the three jobs and the trends say, made by the station's own functions."""

import itertools
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import cast

import numpy as np

from station.crimp.pull.reduce import FAILURE_MODES
from station.jobs.certification.acts import next_step
from station.jobs.certification.judge import CertificationResult, judge_candidate
from station.jobs.certification.record import Certification, Signed
from station.jobs.certification.spread import SpreadRatio
from station.jobs.certification.statement import statement, strengths
from station.jobs.daily import judge as daily_check
from station.jobs.daily.judge import NestEvidence, judge
from station.jobs.daily.steps import LastCheck, due_today, outcome_of, state_of
from station.jobs.validation.judge import GaugeLook, judge_joint, judge_tool
from station.jobs.validation.steps import (
    ValidationScope,
    look_of,
    stale_checks,
    validation_steps,
)
from station.shop.checks import LastCheck as InstrumentCheck
from tests.station.jobs.certification.test_judge import CRITICAL, TASKS, key_of, sat
from tests.station.jobs.certification.test_judge import PLAN as CERTIFICATION
from tests.station.jobs.daily.test_judge import NEST, history
from tests.station.jobs.daily.test_judge import PLAN as DAILY
from tests.station.jobs.daily.test_judge import sample as checked
from tests.station.jobs.invented_samples import JOINT, normal_forces, pulls, sample
from tests.station.jobs.validation.test_judge import BARE, GOOD
from tests.station.jobs.validation.test_judge import PLAN as VALIDATION
from tests.station.shop.test_trend import noise, trend

NOW = datetime(2031, 3, 4, 6, 0, tzinfo=UTC)
DAY = NOW.date()


def trends() -> Iterator[str]:
    """Of a nest: steady, unknown, and worn in every way."""
    ramp, still = 0.12 * np.arange(1, 41), np.zeros(40)
    falls = ((ramp, still), (still, ramp), (ramp, ramp), (still + 5.0, still), (still, still))
    for force_falls, resistance_rises in (*falls, (0.05 * np.arange(1, 41), still)):
        force, resistance = noise(90)
        force[50:] -= force_falls
        resistance[50:] += resistance_rises
        yield trend(force, resistance).sentence
    force, resistance = noise(90)
    force[50::8] = -6.0
    yield trend(force, resistance).sentence
    yield trend(np.array([]), np.array([])).sentence


def findings_of_a_daily_check() -> Iterator[str]:
    """Every reason that a daily check can give for its outcome."""
    both = DAILY.first_stage + DAILY.second_stage
    worn = next(sentence for sentence in trends() if sentence.startswith("Worn"))
    for verdicts, changes in itertools.product(
        (
            ("pass",) * both,
            ("pass",) * (both - 1) + ("undecided",),
            ("pass",) * 2 + ("undecided",) * (both - 2),
            ("pass",) * (both - 1) + ("fail",),
            ("fail", "fail"),
        ),
        (
            {},
            {"pending": 1},
            {"unkept": 1},
            {"unkept": 2},
            {"voids": DAILY.voids_allowed + 1},
            {"unmeasured": 2},
            {"has_baseline": False},
            {"worn": worn, "newly_worn": True},
            {"worn": worn, "samples_left": 1.0},
        ),
    ):
        found = replace(NestEvidence(verdicts), **changes)  # type: ignore[arg-type]
        for plan in (DAILY, DAILY.model_copy(update={"fails_allowed": 1, "undecided_allowed": 2})):
            yield from judge(plan, found).reasons


def daily_checks() -> Iterator[str]:
    """How a daily check stands, what it asks for next, and why a nest is due."""
    stages = [
        [checked(place, verdict) for place, verdict in enumerate(verdicts)]
        for verdicts in (
            (),
            ("pass",),
            ("pass",) * (DAILY.first_stage - 1),
            ("pass", "undecided", "pass"),
            ("fail",),
            ("pass",) * 8,
        )
    ]
    for rows in stages:
        item = daily_check.progress_of(DAILY, NEST, history(*rows))
        state = state_of([item], {("Wren", "blue"): "watch"})
        yield from state.lines
        yield from (step.words for step in state.steps)
        if state.outcome is not None:
            yield from state.outcome.reasons
    yield from outcome_of({("Wren", "red"): "released"}, [("Wren", "blue")]).reasons
    week = DAY - timedelta(days=7)
    nests = [
        LastCheck("Wren", "red"),
        LastCheck("Wren", "red", week, "released", serviced_since=True),
        LastCheck("Wren", "red", week, "released"),
        LastCheck("Wren", "red", week, "watch"),
        LastCheck("Wren", "red", DAY, "released"),
        LastCheck("Wren", "red", DAY, "watch"),
        LastCheck("Wren", "red", open_job="j"),
        LastCheck("Wren", "red", held="A sample failed a limit; none may."),
    ]
    yield from (found.reason for found in due_today(DAILY, nests, DAY))


def looks() -> Iterator[GaugeLook]:
    """Every look at a gauge."""
    contents: list[tuple[str, dict[str, object]]] = [
        ("nest_gauge", {"nest": "red", "gauge": "G-1", "go_enters": go, "no_go_stops": stops})
        for go, stops in itertools.product((True, False), repeat=2)
    ]
    bounds = {"joint_key": JOINT.key, "lower_mm": 2.0, "upper_mm": 3.0}
    contents += [
        ("nest_gauge", {"nest": "red"}),
        ("crimp_height", {"joint_key": JOINT.key}),
        ("crimp_height", bounds | {"heights_mm": [2.5, 2.6]}),
        ("crimp_height", bounds | {"heights_mm": [1.5, 2.6]}),
    ]
    for step, content in contents:
        look = look_of(step, content)
        assert look is not None
        yield look


def validations() -> Iterator[str]:
    """Every reason of a tool validation, every remark, and every step."""
    strict = VALIDATION.model_copy(update={"nest_gauge": "demanded", "crimp_height": "demanded"})
    modes = BARE.model_copy(update={"refusing_modes": tuple(FAILURE_MODES)})
    voids = [sample(100 + place, 60.0, verdict="void") for place in range(6)]
    without = [look for look in looks() if look.good is None]
    taken = {
        "good": pulls(GOOD),
        "few": pulls(GOOD[:7]),
        "failed": pulls([*GOOD, 60.0][-30:]),
        "weak": pulls(normal_forces(30, 107.0, 8.0)),
        "alike": pulls([140.0] * 30),
        "odd": pulls([*GOOD[:-1], 1000.0]),
        "voids": [*voids, *pulls(GOOD)],
        "by word": [replace(void, word_only=True) for void in voids[:2]] + pulls(GOOD),
        "undecided": [replace(one, verdict="undecided") for one in pulls(GOOD)],
        "unjudged": [replace(one, criteria=()) for one in pulls(GOOD)],
        "both": [sample(place, force, 2.5e-4) for place, force in enumerate(GOOD)],
        **{
            mode: [sample(place, force, mode=mode) for place, force in enumerate(GOOD)]
            for mode in FAILURE_MODES
        },
    }
    unmeasured = [
        replace(one, criteria=tuple(c.model_copy(update={"value": None}) for c in one.criteria))
        for one in pulls(GOOD)
    ]
    for plan, seen in itertools.product(
        (VALIDATION, BARE, strict, modes), ([], without, list(looks()))
    ):
        for samples in (*taken.values(), unmeasured):
            found = judge_joint(plan, JOINT, samples, seen, guard=1.645)
            yield from (*found.reasons, *found.remarks)
            whole = judge_tool(plan, [JOINT], samples, seen, guard=1.645)
            yield from whole.reasons
            scope = ValidationScope("Egret", (JOINT,), "invented", 1.645)
            for step in validation_steps(plan, scope, whole, seen, {}, NOW):
                yield step.words
    yield from (look.words for look in looks())
    old = timedelta(days=30)
    for passed, age in ((True, old), (False, old), (True, timedelta())):
        checks = {role: InstrumentCheck(NOW - age, passed, "e") for role in ("meter", "tester")}
        yield from (reason for _role, reason in stale_checks(VALIDATION, checks, NOW))


def certification_results() -> Iterator[CertificationResult]:
    """Certifications that end in every way."""
    key = key_of(TASKS)
    critical, minor = {"strands-whole": False}, {"centred": False}
    for faults, forces in (
        ({}, {}),
        ({(TASKS[0], 0): critical}, {}),
        ({(task, 0): critical for task in TASKS}, {}),
        ({(TASKS[0], place): minor for place in range(6)}, {}),
        ({}, {(TASKS[0], 0): 20.0}),
    ):
        yield judge_candidate(CERTIFICATION, key, sat(key, faults, forces), CRITICAL, {})
    again = key | key_of(TASKS[:1], sitting=2)
    bad = {(TASKS[0], 0): critical}
    yield judge_candidate(CERTIFICATION, again, sat(key, bad) + sat(again, bad)[60:], CRITICAL, {})
    yield judge_candidate(CERTIFICATION, key, sat(key)[:20], CRITICAL, {})
    void = [replace(one, verdict="void") for one in sat(key)[:20]]
    yield judge_candidate(CERTIFICATION, key, void + sat(key), CRITICAL, {})


def certifications() -> Iterator[str]:
    """What certifications come to, what they show, and every step."""
    even = SpreadRatio(1.0, 0.8, 59)
    for result in certification_results():
        yield from result.reasons
        yield from (reason for task in result.tasks for reason in task.reasons)
        yield from statement(CERTIFICATION, result)
        yield from strengths(replace(result, force_spread=even, resistance_spread=even))
        for lost, labelled, waits, by, seen in itertools.product((False, True), repeat=5):
            signed = Signed("Ottilie" if by else None, seen)
            for earliest in (NOW + timedelta(days=1), NOW):
                job = SimpleNamespace(
                    plan=CERTIFICATION, result=result, lost=lost, labelled=labelled,
                    waiting=waits, signed=signed, earliest_resit=earliest,
                )  # fmt: skip
                yield next_step(cast(Certification, job), 3, NOW).words


BY_JOBS = (trends, findings_of_a_daily_check, daily_checks, validations, certifications)
