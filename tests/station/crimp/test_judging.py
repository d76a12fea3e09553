from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.facts import shipped_limit_sets
from station.crimp.limits import Limit
from station.crimp.verdict import (
    BORE_NO_MORE,
    NOT_HELD,
    PEAK_IS_NO_HOLD,
    Judgement,
    Measured,
    Verdict,
    judge_sample,
    worst,
)
from station.crimp.wire import parse_size
from station.errors import BadInput


def limit(criterion: str, value_si: float, unit_si: str) -> Limit:
    return Limit(
        set_id="invented", criterion=criterion, size="18 AWG", value=value_si, unit=unit_si,  # type: ignore[arg-type]
        value_si=value_si, unit_si=unit_si, source="invented", standing="shop", conditions="",
        test_current_a=None, note=None,
    )  # fmt: skip


def verdict(judged: list[tuple[Limit, Judgement]]) -> Verdict:
    return worst(judgement.verdict for _, judgement in judged)


BOTH = [limit("pull_force_min", 90.0, "N"), limit("resistance_max", 0.5e-3, "ohm")]
GOOD_FORCE, GOOD_OHM = Measured(150.0, 0.5), Measured(0.25e-3, 0.02e-3)


def test_a_sample_passes_when_every_criterion_does() -> None:
    judged = judge_sample(BOTH, force=GOOD_FORCE, resistance=GOOD_OHM)
    assert verdict(judged) is Verdict.PASS
    assert [judgement.verdict for _, judgement in judged] == [Verdict.PASS] * 2


def test_a_missing_value_is_undecided_never_pass() -> None:
    judged = judge_sample(BOTH, force=GOOD_FORCE)
    assert verdict(judged) is Verdict.UNDECIDED
    assert judged[1][1].value is None


def test_the_worst_criterion_decides() -> None:
    judged = judge_sample(BOTH, force=Measured(50.0, 0.5), resistance=GOOD_OHM)
    assert verdict(judged) is Verdict.FAIL


def test_voltage_drop_at_the_set_current_and_at_ones_own() -> None:
    # Chinese specification of vehicle harnesses that refers to QC/T 29106, table 3 [seen-1]:
    # 0.5 mm2, 3 mV at 5 A.
    limits = shipped_limit_sets().for_size(parse_size("0.5 mm2"), "vehicle-harness-drop")
    measured = Measured(0.58e-3, 0.001e-3)
    at_set_current = judge_sample(limits, resistance=measured)[0][1]
    assert at_set_current.value == pytest.approx(2.9e-3)
    assert at_set_current.verdict is Verdict.PASS
    doubled = judge_sample(limits, resistance=measured, current_a=10.0)[0][1]
    assert doubled.value == pytest.approx(5.8e-3)
    assert doubled.verdict is Verdict.FAIL


def test_ratio_carries_the_uncertainty_of_the_wire_too() -> None:
    ratio = [limit("resistance_ratio_max", 1.2, "1")]
    measured, wire = Measured(0.3e-3, 0.02e-3), Measured(2.0e-3, 0.05e-3)
    judged = judge_sample(ratio, resistance=measured, equal_length=wire)[0][1]
    assert judged.value == pytest.approx(1.15)
    assert judged.u == pytest.approx(((0.02 / 2.0) ** 2 + (0.15 * 0.05 / 2.0) ** 2) ** 0.5)
    unstated = judge_sample(ratio, resistance=Measured(0.3e-3, 0.02e-3))
    assert verdict(unstated) is Verdict.UNDECIDED


def test_few_repeats_widen_the_band() -> None:
    one = [limit("resistance_max", 0.30e-3, "ohm")]
    sure = judge_sample(one, resistance=Measured(0.25e-3, 0.02e-3))
    unsure = judge_sample(one, resistance=Measured(0.25e-3, 0.02e-3, dof=2.0))
    assert verdict(sure) is Verdict.PASS
    assert verdict(unsure) is Verdict.UNDECIDED


@given(st.floats(1.0, 300.0), st.floats(1.0, 300.0))
def test_more_force_never_hurts(a: float, b: float) -> None:
    low, high = sorted((a, b))
    rank = [Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS]
    verdicts = [
        verdict(judge_sample(BOTH, force=Measured(value, 1.0), resistance=GOOD_OHM))
        for value in (low, high)
    ]
    assert rank.index(verdicts[1]) >= rank.index(verdicts[0])


def test_impossible_currents_are_refused() -> None:
    with pytest.raises(BadInput, match="current"):
        judge_sample(BOTH, current_a=0.0)


def test_few_degrees_of_freedom_widen_the_guard_of_a_force() -> None:
    # Student's t, one-sided 95 %, 3 degrees of freedom: 2.353 in any table [memory].
    force = [limit("pull_force_min", 90.0, "N")]
    assert verdict(judge_sample(force, force=Measured(92.0, 1.0))) is Verdict.PASS
    assert verdict(judge_sample(force, force=Measured(92.0, 1.0, dof=3.0))) is Verdict.UNDECIDED
    assert verdict(judge_sample(force, force=Measured(92.36, 1.0, dof=3.0))) is Verdict.PASS


HELD = replace(BOTH[0], pull_kind="hold", hold_s=60.0)


@pytest.mark.parametrize(
    ("force", "expected", "note"),
    [
        (Measured(95.0, 0.5, end="hold", held_s=60.0), Verdict.PASS, ""),
        (Measured(95.0, 0.5, end="hold", held_s=40.0), Verdict.FAIL, NOT_HELD),
        (Measured(90.1, 0.5, end="hold", held_s=60.0), Verdict.UNDECIDED, BORE_NO_MORE),
        (Measured(50.0, 0.5, end="hold", held_s=60.0), Verdict.UNDECIDED, BORE_NO_MORE),
        (Measured(95.0, 0.5), Verdict.PASS, PEAK_IS_NO_HOLD),
        (Measured(50.0, 0.5), Verdict.FAIL, PEAK_IS_NO_HOLD),
        (Measured(95.0, 0.5, end="at_least"), Verdict.PASS, PEAK_IS_NO_HOLD),
    ],
)
def test_a_held_limit_is_met_by_a_hold_and_says_so_of_a_peak(
    force: Measured, expected: Verdict, note: str
) -> None:
    ((_, judged),) = judge_sample([HELD], force=force)
    assert (judged.verdict, judged.note) == (expected, note)


def test_a_hold_meets_a_limit_for_a_peak_as_a_force_that_was_borne() -> None:
    held = Measured(95.0, 0.5, end="hold", held_s=1.0)
    ((_, judged),) = judge_sample([BOTH[0]], force=held)
    assert (judged.verdict, judged.note) == (Verdict.PASS, "")


@given(st.floats(0.0, 200.0), st.floats(0.0, 5.0), st.sampled_from([BOTH[0], HELD]))
def test_what_was_borne_passes_as_a_peak_would_and_never_fails(
    force_n: float, u_n: float, asked: Limit
) -> None:
    ((_, borne),) = judge_sample([asked], force=Measured(force_n, u_n, end="at_least"))
    ((_, peak),) = judge_sample([asked], force=Measured(force_n, u_n))
    assert (borne.verdict is Verdict.PASS) == (peak.verdict is Verdict.PASS)
    assert borne.verdict is not Verdict.FAIL
    assert borne.verdict is Verdict.PASS or borne.probability_conforming is None
