from dataclasses import replace

import numpy as np
import pytest

from station.crimp.pull.events import falls
from station.crimp.pull.modes import TraceShape, shape_of, suggest
from station.crimp.pull.reduce import FAILURE_MODES

# What a clean break at the barrel's edge looks like (invented).
EDGE = TraceShape(
    level=0.8,
    straight=0.2,
    rounded=0.4,
    tail=0.1,
    first_fall=0.9,
    fades=False,
    teeth=0,
    saw=False,
    slip=0.0,
    may_slip=0.0,
)


@pytest.mark.parametrize(
    ("mode", "differs"),
    [
        # Common practice, no source: what each end of a pull looks like.
        ("grip_slip", {"slip": 0.4}),
        ("drawn_out", {"fades": True, "tail": 3.0}),
        ("drawn_out", {"fades": True, "tail": 3.0, "level": None}),
        ("drawn_out", {"saw": True, "teeth": 12}),
        ("broke_in_barrel", {"tail": 3.0, "first_fall": 0.1, "level": 0.5}),
        ("broke_in_wire", {"level": 1.0, "rounded": 1.0}),
        ("broke_in_wire", {"level": None, "rounded": 1.0}),
        ("connector_broke", {"level": 1.3, "straight": 0.9}),
        ("insulation_only", {"level": 0.05, "rounded": 0.8}),
        # What several causes look like is not said.
        (None, {}),
        (None, {"level": None}),
        (None, {"may_slip": 0.15}),
        (None, {"level": 0.4}),
        (None, {"level": 0.15, "fades": True, "tail": 3.0}),
        (None, {"level": 0.5, "rounded": 1.0}),
        (None, {"level": None, "straight": 0.9}),
        (None, {"fades": True, "tail": 0.1}),
        (None, {"tail": 3.0, "first_fall": 0.5, "level": 0.5}),
    ],
)
def test_a_shape_names_its_mode_or_none(mode: str | None, differs: dict[str, float | None]) -> None:
    suggested, reasons = suggest(replace(EDGE, **differs))  # type: ignore[arg-type]
    assert suggested == mode
    assert suggested is None or suggested in FAILURE_MODES
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
    assert not shape.fades
    assert (shape.slip, shape.may_slip, shape.teeth) == (0.0, 0.0, 0)


def bent(*points: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """A trace through (time, force) knots at 100 samples a second."""
    times, forces = zip(*points, strict=True)
    time_s = np.arange(times[0], times[-1], 0.01)
    return time_s, np.interp(time_s, times, forces)


def shaped(*points: tuple[float, float]) -> TraceShape:
    time_s, force = bent(*points)
    found = falls(force, 4.0)
    return shape_of(time_s, force, 50.0, found, soft_break_n=None, filter_lag_s=0.0)


@pytest.mark.parametrize(
    ("back_n", "on_n", "slip"),
    [
        (95.0, 120.0, 0.4),  # back near the highest force, and on
        (70.0, 75.0, 0.0),  # never back: it rubs
        (95.0, 96.0, 0.0),  # nearly back, and no further: it rubs
    ],
)
def test_a_slip_is_a_deep_fall_that_recovers_and_goes_on(
    back_n: float, on_n: float, slip: float
) -> None:
    climbs_s = (back_n - 60.0) / 50.0
    shape = shaped(
        (0.0, 0.0), (2.0, 100.0), (2.01, 60.0), (2.01 + climbs_s, back_n), (4.0, on_n), (4.01, 0.0),
        (5.0, 0.0),
    )  # fmt: skip
    assert shape.slip == pytest.approx(slip, abs=0.02)


@pytest.mark.parametrize("lost", [0.1, 0.15, 0.2, 0.3])
def test_a_shallow_slip_is_asked_about(lost: float) -> None:
    # Past its yield the wire climbs at 10 N/s; after a slip it climbs at the rig's 50 N/s [calc].
    back_s = 120.0 * lost / 50.0
    shape = shaped(
        (0.0, 0.0), (2.0, 100.0), (4.0, 120.0), (4.01, 120.0 * (1.0 - lost)),
        (4.01 + back_s, 120.0), (7.01 + back_s, 150.0), (7.02 + back_s, 0.0), (9.0, 0.0),
    )  # fmt: skip
    assert max(shape.slip, shape.may_slip) == pytest.approx(lost, abs=0.02)
    assert suggest(shape)[0] in (None, "grip_slip")


def test_a_lost_strand_is_no_slip() -> None:
    # Six strands of seven carry on at 6/7 of the climb before [calc].
    shape = shaped(
        (0.0, 0.0), (2.0, 100.0), (4.0, 120.0), (4.01, 103.0), (8.5, 141.0), (8.51, 0.0), (9.5, 0.0)
    )
    assert (shape.slip, shape.may_slip) == (0.0, 0.0)


def test_friction_fades_along_a_straight_line_and_strands_do_not() -> None:
    # Coulomb: the force falls with the length still inside (Bowden & Tabor) [memory].
    rubs = shaped((0.0, 0.0), (2.0, 100.0), (2.1, 80.0), (7.0, 0.0), (8.0, 0.0))
    assert rubs.fades
    steps = shaped(
        (0.0, 0.0), (2.0, 100.0), (3.0, 99.0), (3.01, 70.0), (4.5, 69.0), (4.51, 35.0), (6.5, 34.0),
        (6.51, 0.0), (7.5, 0.0),
    )  # fmt: skip
    assert not steps.fades


def test_a_wire_that_sticks_and_slips_is_a_saw_and_no_slip_in_the_grips() -> None:
    points, at_s = [(0.0, 0.0), (2.0, 100.0)], 2.0
    for tooth in range(12):
        high = 100.0 - 7.0 * (tooth + 1)
        low = high - 25.0 * high / 100.0 - 7.0
        points += [(at_s + 0.01, low), (at_s + 0.01 + (high - low) / 50.0, high)]
        at_s = points[-1][0]
    shape = shaped(*points, (at_s + 0.01, 0.0), (at_s + 1.0, 0.0))
    assert shape.saw
    assert (shape.slip, shape.may_slip) == (0.0, 0.0)
    assert suggest(shape)[0] == "drawn_out"
