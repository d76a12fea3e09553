"""From rows of samples to the trend of a nest."""

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from station.ledger.entries import BaselineSet, Joint
from station.ledger.rows import SampleRow
from station.shop.trend import (
    NestTrend,
    force_ratio,
    log_resistance,
    nest_trend,
)

START = datetime(2031, 1, 6, 8, 0, tzinfo=UTC)
SIZES = ("16 AWG", "14 AWG")
CENTERS = {"16 AWG": (1.9, 2.1e-4), "14 AWG": (1.5, 1.7e-4)}


def joint(size: str) -> Joint:
    return Joint(connector="butt-splice-blue", wires=(size, size), tool="Wren", nest="blue")


def baseline(size: str, n: int = 40) -> BaselineSet:
    ratio, ohm = CENTERS[size]
    return BaselineSet(
        demo=True,
        joint=joint(size),
        baseline_version=1,
        n=n,
        force_ratio_center=ratio,
        force_ratio_sigma=0.08,
        log_resistance_center=math.log(ohm),
        log_resistance_sigma=0.06,
        sample_ids=(),
    )


def row(place: int, size: str, force: float | None, resistance: float | None) -> SampleRow:
    ratio, ohm = CENTERS[size]
    return SampleRow(
        begun_seq=place + 1,
        finished_seq=place + 2,
        sample_id=f"s{place}",
        at_utc=START + timedelta(days=place),
        person="Bo Invented",
        job="daily_check",
        connector="butt-splice-blue",
        wires=(size, size),
        material="copper",
        tool="Wren",
        nest="blue",
        joint_key=joint(size).key,
        limit_set="invented",
        limit_standing="shop",
        verdict="pass",
        void_reason=None,
        splice_ohm=None if resistance is None else ohm * math.exp(0.06 * resistance),
        splice_u_ohm=None,
        peak_n=None if force is None else 100.0 * (ratio + 0.08 * force),
        peak_u_n=None,
        pull_limit_n=100.0,
        failure_mode=None,
        trace_sha256=None,
        demo=True,
        simulated=False,
        replaces=None,
        meter=None,
        tester=None,
    )


def trend(force: np.ndarray, resistance: np.ndarray, since_seq: int = 0) -> NestTrend:
    rng = np.random.default_rng(1)
    rows = [
        row(place, SIZES[int(rng.integers(2))], float(f), float(r))
        for place, (f, r) in enumerate(zip(force, resistance, strict=True))
    ]
    baselines = {joint(size).key: baseline(size) for size in SIZES}
    return nest_trend("Wren", "blue", rows, baselines, run_length=5000, since_seq=since_seq)


def noise(n: int) -> np.ndarray:
    return np.random.default_rng(4).standard_normal((2, n))


def test_a_wearing_nest_of_mixed_gauges_is_flagged_dated_and_told() -> None:
    force, resistance = noise(90)
    force[50:] -= 0.12 * np.arange(1, 41)
    found = trend(force, resistance)
    report = found.report
    assert report is not None
    assert report.characteristic == "force"
    assert 50 <= report.signal_position < 75
    assert report.change.began_low <= 50 <= report.change.began_high
    assert report.change.slope_low <= 0.12 <= report.change.slope_high
    assert found.sentence.startswith("Worn: getting weaker since about 2031-0")
    # 40 samples of 0.12 deviations of 8 N: 38 N, give or take the noise of the fit.
    lost = re.search(r"now about ([0-9]+) N, .* weaker at 1[46] AWG", found.sentence)
    assert lost is not None
    assert float(lost[1]) == pytest.approx(38.4, rel=0.15)
    assert "deviations" not in found.sentence
    assert "standard deviations a sample" in found.why
    assert found.sentence.endswith("re-check its last samples.")


def test_force_and_resistance_that_change_together_are_each_told_by_their_own() -> None:
    force, resistance = noise(90)
    force[50:] -= 0.1 * np.arange(1, 41)
    resistance[50:] += 0.14 * np.arange(1, 41)
    found = trend(force, resistance)
    assert found.report is not None
    assert found.report.characteristic == "both"
    weaker, higher = found.report.levels
    # 40 samples of 0.10 and of 0.14 deviations, give or take the noise of the fit.
    assert weaker == pytest.approx(4.0, abs=0.6)
    assert higher == pytest.approx(5.6, abs=0.6)
    assert re.search(r"now about [0-9]+ N, .* weaker at .*, about .* more at", found.sentence)


def test_stray_weak_crimps_among_good_ones_are_named() -> None:
    force, resistance = noise(90)
    force[50::8] = -6.0
    found = trend(force, resistance)
    assert found.flagged
    assert found.flag is None
    assert found.signal_seq is not None
    assert found.signal_seq > 51
    assert found.sentence.startswith("Stray weak crimps: about one in 8 since 2031-02-25 (5 of 40 ")


def test_a_steady_nest_says_so() -> None:
    found = trend(*noise(90))
    assert found.report is None
    # One of 10 % is 1.9 to 2.4 deviations of the joints here.
    assert found.sentence == (
        "No change found; one of 10 % in force would be found within about 8 samples."
    )


def test_what_could_not_be_found_is_said() -> None:
    rows = [row(0, "16 AWG", 0.0, 0.0)]
    wide = baseline("16 AWG", 10).model_copy(update={"force_ratio_sigma": 0.3})
    found = nest_trend("Wren", "blue", rows, {rows[0].joint_key: wide}, run_length=5000)
    assert "scatter too much" in found.sentence
    alone = [row(0, "16 AWG", None, 0.0)]
    found = nest_trend("Wren", "blue", alone, {rows[0].joint_key: wide}, run_length=5000)
    assert found.sentence == (
        "No change found since its baseline. It takes days as alike until 20 of them are known: so "
        "far 1."
    )


def test_days_that_differ_are_allowed_for_and_said() -> None:
    rng = np.random.default_rng(7)
    force = rng.standard_normal(120) / 2.0 + np.repeat(rng.standard_normal(40), 3) / 2.0
    rows = [
        replace(row(place, "16 AWG", value, 0.0), at_utc=START + timedelta(days=place // 3))
        for place, value in enumerate(force.tolist())
    ]
    found = nest_trend(
        "Wren", "blue", rows, {rows[0].joint_key: baseline("16 AWG")}, run_length=5000
    )
    assert "Crimps of one sitting are alike" in found.sentence
    assert "known" not in found.sentence


def test_a_service_starts_the_watch_again() -> None:
    force, resistance = noise(90)
    force[10:40] -= 3.0
    assert trend(force, resistance).flagged
    after = trend(force, resistance, since_seq=41)
    assert not after.flagged
    assert len(after.samples) == 49


def test_what_is_shown_stays_against_the_recorded_baseline() -> None:
    force, resistance = noise(90)
    force[30:] -= 6.0
    found = trend(force, resistance)
    assert [p.force_distance for p in found.points] == pytest.approx(force.tolist())
    assert [p.resistance_distance for p in found.points] == pytest.approx(resistance.tolist())


@pytest.mark.parametrize(("force", "resistance"), [(None, 0.0), (0.0, None), (None, None)])
def test_missing_values_are_not_scored(force: float | None, resistance: float | None) -> None:
    rows = [row(0, "16 AWG", force, resistance)]
    found = nest_trend("Wren", "blue", rows, {rows[0].joint_key: baseline("16 AWG")}, run_length=99)
    assert (found.points[0].force_distance is None) == (force is None)
    assert (found.points[0].resistance_distance is None) == (resistance is None)


def test_a_joint_without_a_usable_baseline_is_left_aside() -> None:
    rows = [row(0, "16 AWG", 0.0, 0.0)]
    flat = baseline("16 AWG").model_copy(update={"force_ratio_sigma": 0.0})
    for baselines in ({}, {rows[0].joint_key: flat}):
        found = nest_trend("Wren", "blue", rows, baselines, run_length=99)
        assert not found.has_baseline
        assert found.sentence.startswith("No baseline yet")


def test_values_of_a_row() -> None:
    made = row(0, "16 AWG", 1.0, 0.0)
    assert force_ratio(made) == pytest.approx(1.98)
    assert log_resistance(made) == pytest.approx(math.log(2.1e-4))


def heights(moved_mm: np.ndarray) -> NestTrend:
    """A nest whose crimps are measured before they are pulled, to a hundredth of a millimetre."""
    rng = np.random.default_rng(7)
    read_mm = np.round(1.34 + rng.normal(0.0, 0.012, moved_mm.size) + moved_mm, 2)
    rows = [
        replace(row(place, "16 AWG", float(rng.standard_normal()), None), crimp_height_m=mm * 1e-3)
        for place, mm in enumerate(read_mm.tolist())
    ]
    known = {joint("16 AWG").key: baseline("16 AWG")}
    return nest_trend("Wren", "blue", rows, known, run_length=5000)


def test_a_crimp_height_that_grows_is_wear_dated_and_told() -> None:
    found = heights(0.002 * np.clip(np.arange(100) - 50.0, 0.0, None))
    assert found.flagged
    assert found.flag is not None
    assert found.flag.characteristic == "height"
    assert 50 <= found.flag.signal_position < 80
    assert found.signal_seq == found.samples[found.flag.signal_position].begun_seq
    assert found.change_began is not None
    assert START + timedelta(days=40) < found.change_began < START + timedelta(days=75)
    assert found.sentence.startswith("Worn: crimp height has grown by about 0.")
    assert found.sentence.endswith("re-check its last samples.")
    assert found.report is None


@pytest.mark.parametrize("moved_mm", [np.zeros(100), np.zeros(20), np.full(31, -0.002)])
def test_steady_or_few_heights_say_nothing(moved_mm: np.ndarray) -> None:
    assert not heights(moved_mm).flagged


def test_heights_that_read_all_the_same_have_no_spread_to_be_held_against() -> None:
    rows = [
        replace(row(place, "16 AWG", None, None), crimp_height_m=1.34e-3) for place in range(60)
    ]
    assert not nest_trend("Wren", "blue", rows, {}, run_length=5000).flagged
