from dataclasses import replace

import numpy as np
import pytest

from station.crimp.pull.events import Fall
from station.crimp.pull.modes import TraceShape, shape_of, suggest
from station.crimp.pull.reduce import FAILURE_MODES

# What a clean break at the barrel's edge looks like (invented).
EDGE = TraceShape(
    level=0.8,
    straight=0.2,
    rounded=0.4,
    tail=0.1,
    leaves_top=0.0,
    first_fall=0.9,
    left_on=0.0,
    slip=0.0,
)


@pytest.mark.parametrize(
    ("mode", "differs"),
    [
        # Common practice, no source: what each end of a pull looks like.
        ("broke_at_edge", {}),
        ("grip_slip", {"slip": 0.4}),
        ("drawn_out", {"tail": 3.0, "first_fall": 0.5, "level": 0.5}),
        ("drawn_out", {"left_on": 0.25, "first_fall": 0.7}),
        ("broke_in_barrel", {"tail": 3.0, "first_fall": 0.1, "leaves_top": 0.5}),
        ("broke_in_barrel", {"level": 0.4}),
        ("broke_in_wire", {"level": 1.0, "rounded": 1.0}),
        ("connector_broke", {"level": 1.3, "straight": 0.9}),
        ("insulation_only", {"level": 0.1, "rounded": 0.8}),
        ("broke_at_edge", {"level": None}),
        ("broke_in_wire", {"level": None, "rounded": 1.0}),
        ("connector_broke", {"level": None, "straight": 0.9}),
    ],
)
def test_each_shape_names_its_mode(mode: str, differs: dict[str, float | None]) -> None:
    suggested, reasons = suggest(replace(EDGE, **differs))  # type: ignore[arg-type]
    assert suggested == mode
    assert suggested in FAILURE_MODES
    assert all(reason.endswith(".") for reason in reasons)


def test_the_level_is_told_where_the_wire_is_known() -> None:
    assert any("80%" in reason for reason in suggest(EDGE)[1])
    assert not any("soft wire" in reason for reason in suggest(replace(EDGE, level=None))[1])


def test_a_shape_is_measured() -> None:
    # A straight ramp of 50 N/s to 100 N that breaks within a sample [calc].
    time_s = np.arange(0.0, 3.0, 0.01)
    force = np.where(time_s <= 2.0, 50.0 * time_s, 0.0)
    shape = shape_of(time_s, force, 50.0, [], soft_break_n=200.0, filter_lag_s=0.0)
    assert shape.level == pytest.approx(0.5)
    assert shape.straight == pytest.approx(1.0, rel=0.05)
    # The last 5 % take a third of the 15 % before, give or take a sample.
    assert shape.rounded == pytest.approx(1.0 / 3.0, abs=0.05)
    assert shape.tail == pytest.approx(0.0, abs=0.01)
    assert shape.first_fall == pytest.approx(1.0)
    assert shape.slip == 0.0


@pytest.mark.parametrize(
    ("back_n", "climbs_s", "slip"),
    [
        (95.0, 1.0, 0.4),  # back near the highest force
        (70.0, 1.0, 0.0),  # never back: it rubs
    ],
)
def test_a_slip_is_a_deep_fall_that_recovers(back_n: float, climbs_s: float, slip: float) -> None:
    time_s = np.array([0.0, 2.0, 2.01, 2.01 + climbs_s, 4.0])
    force = np.array([0.0, 100.0, 60.0, back_n, 0.0])
    fall = Fall(1, 2, 3)
    shape = shape_of(time_s, force, 50.0, [fall], soft_break_n=None, filter_lag_s=0.0)
    assert shape.slip == pytest.approx(slip)


@pytest.mark.parametrize(("climbs_s", "slip"), [(0.4, 0.2), (2.0, 0.0)])
def test_a_shallow_fall_must_climb_back_at_full_stiffness(climbs_s: float, slip: float) -> None:
    # 20 N at 50 N/s take 0.4 s where nothing was lost; a missing strand climbs more slowly.
    time_s = np.array([0.0, 2.0, 2.01, 2.01 + climbs_s, 5.0])
    force = np.array([0.0, 100.0, 80.0, 99.0, 0.0])
    shape = shape_of(time_s, force, 50.0, [Fall(1, 2, 3)], soft_break_n=None, filter_lag_s=0.0)
    assert shape.slip == pytest.approx(slip)
