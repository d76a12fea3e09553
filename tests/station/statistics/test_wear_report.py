import math

import numpy as np
import pytest

from station.statistics.capability import tolerance_factor
from station.statistics.pooling import Baseline
from station.statistics.wear_report import (
    NestDistances,
    how_fast,
    how_long,
    tolerance_room,
    wear_report,
)
from station.statistics.wear_watch import WearFlag

STRONG = Baseline(40, 1.6, 0.05)
WEAK = Baseline(40, 1.3, 0.05)


def nest(force: list[float], resistance: list[float], *baselines: Baseline) -> NestDistances:
    worse = np.column_stack([force, resistance])
    joints = np.arange(len(force)) % max(len(baselines), 1)
    return NestDistances(worse, joints.astype(np.intp), baselines)


def ramp(began: int, slope: float, n: int) -> list[float]:
    return [slope * max(0, place - began + 1) for place in range(n)]


def test_room_until_the_tolerance_bound_meets_the_limit() -> None:
    # k for 95/95 and n = 50 is 2.065: Montgomery & Runger, table XII [seen-1].
    assert tolerance_room(Baseline(50, 1.4, 0.1)) == pytest.approx(4.0 - 2.065, abs=5e-4)


def test_samples_left_by_arithmetic() -> None:
    seen = nest(ramp(20, 0.05, 60), [0.0] * 60, STRONG)
    report = wear_report(WearFlag("force", 45), seen)
    # The mean has fallen by 0.05 (t - 19) deviations; the last sample is number 59.
    room = (1.6 - 1.0) / 0.05 - tolerance_factor(40, 0.95, 0.95)
    assert report.change.began == 20
    assert report.samples_left is not None
    assert report.samples_left == pytest.approx(19 + room / 0.05 - 59, rel=0.02)
    assert report.samples_left_low is not None
    assert report.samples_left_low < report.samples_left
    assert report.samples_left_high is None or report.samples_left_high > report.samples_left
    assert "about" in (how_long(report) or "")


def test_the_joint_nearest_its_limit_decides() -> None:
    alone = wear_report(WearFlag("force", 45), nest(ramp(20, 0.05, 60), [0.0] * 60, STRONG))
    mixed = wear_report(WearFlag("force", 45), nest(ramp(20, 0.05, 60), [0.0] * 60, STRONG, WEAK))
    assert alone.samples_left is not None
    assert mixed.samples_left is not None
    assert mixed.samples_left < alone.samples_left


def test_interval_of_samples_left_keeps_its_word() -> None:
    rng = np.random.default_rng(3)
    room = tolerance_room(STRONG)
    truth = 19 + room / 0.1 - 59
    hits = []
    for _ in range(400):
        force = (rng.standard_normal(60) + ramp(20, 0.1, 60)).tolist()
        report = wear_report(WearFlag("force", 50), nest(force, [0.0] * 60, STRONG))
        if report.samples_left is None or report.samples_left_low is None:
            continue
        high = math.inf if report.samples_left_high is None else report.samples_left_high
        hits.append(report.samples_left_low <= truth <= high)
    # Stated 95 %; gone wrong where a ramp is taken for a step, which then gives no figure at all.
    assert len(hits) > 250
    assert np.mean(hits) >= 0.92


def test_past_the_limit_nothing_is_left() -> None:
    report = wear_report(WearFlag("both", 30), nest(ramp(10, 1.0, 40), ramp(10, 1.0, 40), WEAK))
    assert (report.samples_left, report.samples_left_high) == (0.0, 0.0)
    assert how_long(report) == "It is not sure any more that 95% of its crimps hold."


def test_a_step_has_no_pace() -> None:
    report = wear_report(WearFlag("force", 40), nest([0.0] * 30 + [2.0] * 30, [0.0] * 60, STRONG))
    assert report.change.shape == "step"
    assert report.samples_left is None
    assert how_long(report) is None
    assert how_fast(report.change) == "at a stroke, by 2.0 standard deviations"


def test_resistance_alone_leaves_no_force_to_run_out() -> None:
    report = wear_report(WearFlag("resistance", 45), nest([0.0] * 60, ramp(20, 0.1, 60), STRONG))
    assert report.change.began == 20
    assert report.samples_left is None
    assert "little by little" in how_fast(report.change)


def test_force_missing_everywhere_is_no_obstacle() -> None:
    report = wear_report(
        WearFlag("resistance", 45), nest([math.nan] * 60, ramp(20, 0.1, 60), STRONG)
    )
    assert report.samples_left is None


def test_values_that_never_come_together_are_used_singly() -> None:
    force = [value if place % 2 else math.nan for place, value in enumerate(ramp(20, 0.2, 60))]
    ohm = [math.nan if place % 2 else value for place, value in enumerate(ramp(20, 0.2, 60))]
    report = wear_report(WearFlag("both", 40), nest(force, ohm, STRONG))
    assert report.change.began == 20
