from typing import Any

import pytest

from station.crimp.facts import shipped_causes
from station.ledger.entries import (
    BaselineSet,
    CriterionResult,
    InstrumentUsed,
    Joint,
    PullResult,
    SampleFinished,
)
from station.shop.hints import findings_of, sample_hints

JOINT = Joint(connector="butt-splice-red", wires=("18 AWG",), tool="Heron", nest="red")
BASELINE = BaselineSet(
    joint=JOINT, baseline_version=1, n=30, force_ratio_center=1.7, force_ratio_sigma=0.08,
    log_resistance_center=-8.3, log_resistance_sigma=0.06, sample_ids=(),
)  # fmt: skip


def sample(verdict: str, peak_n: float, mode: str, **changes: Any) -> SampleFinished:
    criterion = CriterionResult(
        criterion="pull_force_min", unit="N", value=peak_n, u=1.0, limit=89.0,
        verdict=verdict, probability_conforming=None,
    )  # fmt: skip
    pull = PullResult(
        peak_n=peak_n, u_n=1.0, peak_time_s=1.0, loading_rate_n_per_s=50.0,
        peak_may_be_low_by_n=0.5, drops=0, ended_by="break", suggested_mode=None,
        failure_mode=mode, trace_sha256=None,
        instrument=InstrumentUsed(profile="p", identity="i", port="none"),
    )  # fmt: skip
    values: dict[str, Any] = {
        "sample_id": "x", "job": "daily_check", "joint": JOINT, "limit_set": "ul-486a-1991",
        "limit_standing": "seen-3", "guard": 1.645, "resistance": None, "pull": pull,
        "criteria": (criterion,), "verdict": verdict,
    }  # fmt: skip
    return SampleFinished.model_validate(values | changes)


def test_a_good_sample_gets_no_hints() -> None:
    assert sample_hints(sample("pass", 150.0, "broke_in_wire"), BASELINE, shipped_causes()) == []


def test_a_weak_one_that_drew_out_gets_hints() -> None:
    found = sample_hints(sample("fail", 60.0, "drawn_out"), BASELINE, shipped_causes())
    assert found[0].cause == "under-crimped"


@pytest.mark.parametrize("baseline", [BASELINE, None])
def test_a_pass_far_below_its_baseline_is_unusual(baseline: BaselineSet | None) -> None:
    passed = sample("pass", 110.0, "drawn_out")
    assert findings_of(passed, baseline).force == ("low" if baseline else "ok")
    assert bool(sample_hints(passed, baseline, shipped_causes())) is (baseline is not None)


def test_a_fault_on_the_checklist_is_a_finding() -> None:
    faulty = sample("pass", 150.0, "broke_at_edge", checklist={"bottomed": False, "centred": True})
    assert findings_of(faulty, BASELINE).faults == frozenset({"bottomed"})


@pytest.mark.parametrize(
    ("connector", "wires", "unequal"),
    [
        ("parallel-splice-blue", ("20 AWG", "18 AWG"), True),
        ("parallel-splice-blue", ("18 AWG", "18 AWG"), False),
        ("butt-splice-red", ("20 AWG", "18 AWG"), False),
        ("tap-connector-red", ("20 AWG", "18 AWG"), False),
        ("no-longer-there", ("20 AWG", "18 AWG"), False),
    ],
)
def test_wires_that_share_a_barrel_are_compared(
    connector: str, wires: tuple[str, ...], unequal: bool
) -> None:
    joint = Joint(connector=connector, wires=wires, tool="Heron", nest="blue")
    found = findings_of(sample("fail", 60.0, "drawn_out", joint=joint), None)
    assert (found.wires == "unequal") is unequal
