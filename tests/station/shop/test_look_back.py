"""What rests on samples that turn out to be doubtful."""

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest

from station.ledger.entries import (
    NEST_OUTCOME,
    BaselineSet,
    InstrumentCalibrated,
    InstrumentChecked,
    JobBegun,
    JobEnded,
    JobStep,
    ToolAdded,
    WorkDone,
)
from station.ledger.store import Ledger
from station.shop.look_back import look_back
from tests.station.ledger.invented_entries import CALIBRATED, CHECKED, JOINT, PULL, RESISTANCE

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

METER = "invented"
Make = Callable[..., Any]


@pytest.fixture
def sample(ledger: Ledger, begun: Make, finished: Make) -> Callable[..., str]:
    def make(job_id: str | None = None, instrument: str = METER, nest: str = "A") -> str:
        begun_id = ledger.append(
            begun(nest=nest).model_copy(update={"job_id": job_id}), person="Bo"
        ).id
        used = RESISTANCE.instrument.model_copy(update={"identity": instrument})
        pull = PULL.model_copy(
            update={"instrument": used.model_copy(update={"identity": "a tester"})}
        )
        done = finished(
            begun_id, nest=nest, resistance=RESISTANCE.model_copy(update={"instrument": used}),
            pull=pull,
        ).model_copy(update={"job_id": job_id})  # fmt: skip
        ledger.append(done, person="Bo")
        return begun_id

    return make


def job(ledger: Ledger, name: str = "certification") -> str:
    payload = JobBegun.model_validate({"job": name, "plan_id": "p", "plan": {}, "scope": {}})
    return ledger.append(payload, person="Ana").id


def end(ledger: Ledger, job_id: str, outcome: str, **more: Any) -> None:
    payload = JobEnded(job_id=job_id, outcome=outcome, reasons=(), **more)
    ledger.append(payload, person="Ana")


def checked(ledger: Ledger, passed: bool) -> None:
    change = {"passed": passed, "reason": None if passed else "too far"}
    ledger.append(InstrumentChecked.model_validate(CHECKED.model_dump() | change), person="Bo")


def test_outcomes_certificates_baselines_and_work_are_listed(
    ledger: Ledger, sample: Callable[..., str]
) -> None:
    ledger.append(ToolAdded(tool="T1", description="ratchet", nests=("A", "B")), person="Ana")
    sound, spoilt, elsewhere = job(ledger), job(ledger), job(ledger)
    sample(sound)
    end(ledger, sound, "certified", valid_until=date(2032, 1, 1), record_hash="aa")
    checked(ledger, passed=True)
    bad = [sample(spoilt), sample(spoilt)]
    sample(elsewhere, instrument="another meter", nest="B")
    end(ledger, spoilt, "certified", valid_until=date(2032, 1, 1), record_hash="bb")
    end(ledger, elsewhere, "certified", valid_until=date(2032, 1, 1))
    baseline = BaselineSet(
        joint=JOINT, baseline_version=1, n=2, force_ratio_center=1.2, force_ratio_sigma=0.1,
        log_resistance_center=-8.0, log_resistance_sigma=0.1, sample_ids=tuple(bad),
    )  # fmt: skip
    ledger.append(baseline, person="Ana")
    today = datetime.now().astimezone().date()
    for nest, order in (("A", "W-1"), ("B", "W-2")):
        ledger.append(WorkDone(day=today, work_order=order, tool="T1", nest=nest), person="Bo")
    ledger.append(
        WorkDone(day=date(2001, 1, 1), work_order="W-0", tool="T1", nest="A"), person="Bo"
    )
    checked(ledger, passed=False)
    found = look_back(ledger.reader, instrument=METER)
    assert [row.sample_id for row in found.samples] == bad
    ((record, samples),) = found.outcomes
    assert record.ended is not None
    assert (record.row.job_id, samples, record.ended.record_hash) == (spoilt, 2, "bb")
    assert found.baselines == (JOINT.key,)
    assert [row.work_order for row in found.work] == ["W-1"]
    of_tool = look_back(ledger.reader, tool="T1")
    assert [record.row.job_id for record, _ in of_tool.outcomes] == [sound, spoilt, elsewhere]
    assert {row.work_order for row in of_tool.work} == {"W-0", "W-1", "W-2"}


def test_a_check_that_never_passed_looks_back_to_the_calibration_before(
    ledger: Ledger, sample: Callable[..., str]
) -> None:
    sample()
    ledger.append(CALIBRATED, person="Ana")
    spoilt = sample()
    checked(ledger, passed=False)
    found = look_back(ledger.reader, instrument=METER)
    assert [row.sample_id for row in found.samples] == [spoilt]
    assert "since its calibration C-1 was entered" in found.why


def test_a_calibration_that_found_it_bad_vouches_for_nothing_before(
    ledger: Ledger, sample: Callable[..., str]
) -> None:
    doubtful = sample()
    ledger.append(CALIBRATED, person="Ana")
    found = look_back(ledger.reader, instrument=METER)
    assert [row.sample_id for row in found.samples] == [doubtful]
    refused = InstrumentCalibrated.model_validate(CALIBRATED.model_dump() | {"accepted": False})
    between = sample()
    ledger.append(refused, person="Ana")
    found = look_back(ledger.reader, instrument=METER)
    assert [row.sample_id for row in found.samples] == [between]


def nest_outcome(ledger: Ledger, job_id: str, nest: str, outcome: str) -> None:
    content = {"tool": "T1", "nest": nest, "outcome": outcome, "needs": ""}
    step = JobStep.model_validate({"job_id": job_id, "step": NEST_OUTCOME, "content": content})
    ledger.append(step, person="Bo")


def test_a_tool_is_looked_back_on_from_each_nests_own_good_check(
    ledger: Ledger, sample: Callable[..., str]
) -> None:
    ledger.append(ToolAdded(tool="T1", description="ratchet", nests=("A", "B")), person="Ana")
    check = job(ledger, "daily_check")
    sample(nest="A")
    early = sample(nest="B")
    nest_outcome(ledger, check, "A", "released")
    late = [sample(nest="A"), sample(nest="B")]
    # What one check found of a nest is found once: the next check holds it.
    nest_outcome(ledger, job(ledger, "daily_check"), "A", "held")
    found = look_back(ledger.reader, tool="T1")
    # Nest B never passed a check: all its samples; nest A only what came after its good one.
    assert [row.sample_id for row in found.samples] == [early, *late]
    assert "nest B: since the beginning" in found.why
    nest_outcome(ledger, check, "B", "watch")
    found = look_back(ledger.reader, tool="T1")
    assert [row.sample_id for row in found.samples] == [late[0]]
    assert found.why == "since each nest's last good daily check"
