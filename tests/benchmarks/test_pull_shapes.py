import numpy as np
import pytest

from station.crimp.pull.reduce import FAILURE_MODES
from tests.benchmarks.drawn_pulls import SHAPES
from tests.benchmarks.pull_shapes import PulledWire

# Invented: about what 18 AWG in soft copper would be.
WIRE = PulledWire(
    break_n=210.0,
    stiffness_n_per_mm=70.0,
    plastic_mm=10.0,
    yield_share=0.4,
    hardening=2.5,
    toe_mm=0.3,
    toe_n=8.0,
    strands=16,
)


def test_every_way_to_end_has_a_shape() -> None:
    assert set(SHAPES) == set(FAILURE_MODES)


@pytest.mark.parametrize("mode", SHAPES)
def test_travel_rises_and_force_is_never_pushing(mode: str) -> None:
    for seed in range(50):
        shape = SHAPES[mode](WIRE, np.random.default_rng(seed))
        assert np.all(np.diff(shape.travel_mm) >= 0.0)
        assert shape.force_n.min() > -1e-9
        assert shape.force_n[0] == 0.0
        assert shape.force_n[-1] < 0.02 * shape.peak_n


@pytest.mark.parametrize(
    ("mode", "least", "most"),
    [
        # Common practice, no source: what breaks where the barrel weakened it breaks below the
        # wire's own force; a connector is only seen to break by a wire that outlasts it.
        ("broke_in_wire", 0.98, 1.0),
        ("broke_at_edge", 0.6, 0.95),
        ("broke_in_barrel", 0.2, 0.9),
        ("drawn_out", 0.15, 0.9),
        ("connector_broke", 1.05, 1.8),
        ("insulation_only", 0.0, 0.2),
    ],
)
def test_peaks_lie_where_the_way_to_end_puts_them(mode: str, least: float, most: float) -> None:
    peaks = [SHAPES[mode](WIRE, np.random.default_rng(seed)).peak_n for seed in range(80)]
    assert least * WIRE.break_n <= min(peaks)
    assert max(peaks) <= most * WIRE.break_n


def test_a_wire_climbs_at_the_rigs_stiffness_until_it_yields() -> None:
    # Springs in series [calc]: beyond the toe, travel grows by force over stiffness.
    force = np.array([60.0, 80.0])
    climbed_mm = float(np.diff(WIRE.travel_mm(force))[0])
    assert climbed_mm == pytest.approx(20.0 / 70.0, rel=0.001)


def test_a_wire_at_its_own_force_has_stretched_all_it_can() -> None:
    # Travel at the break: elastic + toe + all of the plastic stretch [calc].
    at_break = float(WIRE.travel_mm(np.array([210.0]))[0])
    assert at_break == pytest.approx(210.0 / 70.0 + 0.3 + 10.0, rel=1e-6)


def test_a_grip_that_slips_climbs_back() -> None:
    for seed in range(30):
        force = SHAPES["grip_slip"](WIRE, np.random.default_rng(seed)).force_n
        first = int(np.argmax(np.diff(force) < -0.2 * force[:-1].clip(1.0)))
        assert force[first + 1 :].max() > 0.7 * force[first]
