"""Pulls of wires and crimps drawn at random, as a tester's chain shows them. Pure, seeded.

For measuring how well a trace is read: what is true is kept beside what is seen. All numbers are
invented, within what is usual: a wire that draws out keeps rubbing for the length of the barrel; a
grip that slips loses force, bites again and climbs at the rig's own stiffness.
"""

from dataclasses import dataclass
from math import ceil, exp, log, pi

import numpy as np
from numpy.typing import NDArray

from station.crimp.wire import WireSize, awg, soft_break_force_n
from tests.benchmarks.pull_shapes import (
    SUDDEN_MM,
    DrawnShape,
    Piece,
    PulledWire,
    ShapeDrawer,
    broke_in_barrel,
    broke_in_wire,
    connector_broke,
    insulation_only,
    joined,
    rounded,
    strands_part,
)

STRANDINGS = {
    26: (7,), 24: (7, 19), 22: (7, 19), 20: (7, 10, 19), 18: (7, 16, 19), 16: (19, 26),
    14: (19, 41), 12: (19, 65), 10: (37, 105), 8: (49, 133),
}  # fmt: skip
"""Usual strand counts by American Wire Gauge number."""

CAPACITIES_N = (50.0, 100.0, 250.0, 500.0, 1000.0, 2500.0, 5000.0)

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Chain:
    """A tester's measuring chain.

    Attributes
    ----------
    filter_hz
        Corner of its one-pole low-pass; for an average over T, 1/(pi T), which lags as much.
    average_s
        Length of its running average; None where it has a one-pole filter or nothing.
    clock_sd_s
        Spread of how far its samples lie from even times; the times are known.
    stamp_sd_s
        Error of the times written down.
    """

    sample_rate_hz: float
    filter_hz: float | None
    average_s: float | None
    noise_n: float
    resolution_n: float
    capacity_n: float
    clock_sd_s: float = 0.0
    stamp_sd_s: float = 0.0
    lost_share: float = 0.0
    """Share of samples that never arrive."""


@dataclass(frozen=True, slots=True)
class SimulatedPull:
    """A pull as seen, and the truth about it.

    Attributes
    ----------
    time_s, force_n
        What the tester shows, shape (n,) each.
    size, chain, preload_n
        What a station knows beforehand.
    mode
        How it truly ended; a key of :data:`station.crimp.pull.reduce.FAILURE_MODES`.
    peak_n
        True highest force.
    truncated
        The recording was cut off while the force was still climbing.
    """

    time_s: Values
    force_n: Values
    size: WireSize
    chain: Chain
    preload_n: float
    mode: str
    peak_n: float
    truncated: bool
    speed_mm_per_s: float


def broke_at_edge(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Break where the barrel's edge has notched the strands: sooner, while still stretching."""
    top_n = wire.break_n * rng.uniform(0.68, 0.93)
    force = np.linspace(0.0, top_n, 160)
    parting = strands_part(top_n, wire.strands, rng.uniform(0.05, 0.6), rng)
    return joined((wire.travel_mm(force), force), parting)


def drawn_out(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Creep, let go, and rub along the rest of the barrel, sticking and slipping."""
    top_n = wire.break_n * rng.uniform(0.2, 0.85)
    force = np.linspace(0.0, top_n, 160)
    creep = rounded(force, top_n, 0.8, rng.uniform(0.0, 0.6))
    return joined((wire.travel_mm(force) + creep, force), _rubbing(top_n, rng))


def _rubbing(top_n: float, rng: np.random.Generator) -> Piece:
    """Friction of a wire leaving a barrel of 3 to 8 mm, as a fading saw."""
    barrel_mm = rng.uniform(3.0, 8.0)
    pitches = rng.uniform(0.2, 0.9) * rng.uniform(0.7, 1.3, 200)
    sticks = np.cumsum(pitches)
    sticks = np.concatenate(([0.0], sticks[sticks < barrel_mm - 0.1], [barrel_mm]))
    depth = rng.uniform(0.02, 0.22)
    # What held the wire is sheared off: rubbing never comes near the first top again.
    left_n = rng.uniform(0.35, 0.85) / (1.0 + depth) * top_n
    level = left_n * (1.0 - sticks / barrel_mm) ** rng.uniform(0.6, 1.3)
    high, low = level * (1.0 + depth), level * (1.0 - depth)
    travel = np.column_stack((sticks, sticks + SUDDEN_MM)).ravel()
    force = np.column_stack((high, low)).ravel()
    force[0] = top_n
    return travel, force


def grip_slip(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Lose the grip one to six times, bite again; then a true break, sliding out, or giving up."""
    level_n = wire.break_n * rng.uniform(0.3, 0.75)
    first_n = level_n * rng.uniform(0.7, 1.0)
    force = np.linspace(0.0, first_n, 160)
    pieces: list[Piece] = [(wire.travel_mm(force), force)]
    held_n = first_n
    for _ in range(rng.integers(1, 7)):
        left_n = held_n * rng.uniform(0.25, 0.72)
        next_n = max(level_n * rng.uniform(0.8, 1.1), left_n + 0.25 * held_n)
        pieces.append(_slip_and_bite(held_n, left_n, next_n, wire, rng))
        held_n = next_n
    ending = rng.choice(["break", "slide", "give_up"], p=[0.45, 0.3, 0.25])
    if ending == "break":
        top_n = max(held_n, wire.break_n * rng.uniform(0.7, 0.93))
        onward = np.linspace(held_n, top_n, 60)
        stretch = wire.travel_mm(np.minimum(onward, 0.99 * wire.break_n))
        pieces.append((stretch - stretch[0], onward))
        pieces.append(strands_part(top_n, wire.strands, rng.uniform(0.05, 0.6), rng))
    elif ending == "slide":
        pieces.append(_sliding_out(held_n, rng))
    else:
        back_mm = held_n / wire.stiffness_n_per_mm
        pieces.append((np.array([0.0, back_mm]), np.array([held_n, 0.0])))
    return joined(*pieces)


def _slip_and_bite(
    held_n: float, left_n: float, next_n: float, wire: PulledWire, rng: np.random.Generator
) -> Piece:
    slides_mm = rng.uniform(0.02, 0.3)
    climb_mm = (next_n - left_n) / wire.stiffness_n_per_mm
    travel = np.array([0.0, SUDDEN_MM, SUDDEN_MM + slides_mm, SUDDEN_MM + slides_mm + climb_mm])
    return travel, np.array([held_n, left_n, left_n, next_n])


def _sliding_out(held_n: float, rng: np.random.Generator) -> Piece:
    """Scrape through jaws of 10 to 30 mm with no more bites, and come free."""
    travel = np.linspace(0.0, rng.uniform(5.0, 20.0), 40)
    scrape = rng.uniform(0.1, 0.5) * rng.uniform(0.8, 1.2, 40)
    scrape[0], scrape[-1] = 1.0, 0.0
    return travel, held_n * scrape


SHAPES: dict[str, ShapeDrawer] = {
    "drawn_out": drawn_out,
    "broke_in_barrel": broke_in_barrel,
    "broke_at_edge": broke_at_edge,
    "broke_in_wire": broke_in_wire,
    "connector_broke": connector_broke,
    "insulation_only": insulation_only,
    "grip_slip": grip_slip,
}
"""Every way a pull ends, by the names of :data:`station.crimp.pull.reduce.FAILURE_MODES`."""


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return exp(rng.uniform(log(low), log(high)))


def draw_wire(rng: np.random.Generator) -> tuple[WireSize, PulledWire]:
    """A wire of 26 to 8 AWG in a rig of some stiffness."""
    gauge = int(rng.choice(list(STRANDINGS)))
    size = awg(gauge)
    break_n = soft_break_force_n(size) * rng.uniform(0.94, 1.08)
    return size, PulledWire(
        break_n=break_n,
        stiffness_n_per_mm=break_n / rng.uniform(1.0, 5.0),
        plastic_mm=rng.uniform(40.0, 120.0) * rng.uniform(0.10, 0.25),
        yield_share=rng.uniform(0.3, 0.5),
        hardening=rng.uniform(2.0, 3.0),
        toe_mm=rng.uniform(0.05, 0.8),
        toe_n=break_n * rng.uniform(0.02, 0.08),
        strands=int(rng.choice(STRANDINGS[gauge])),
    )


def draw_chain(rng: np.random.Generator, most_n: float) -> Chain:
    """A tester of 10 to 2000 samples a second that can take ``most_n``."""
    rate_hz = _log_uniform(rng, 10.0, 2000.0)
    capacity_n = next(value for value in CAPACITIES_N if 0.85 * value >= most_n)
    kind = rng.choice(["none", "one_pole", "average"])
    average_s = rng.uniform(0.5, 2.0) / rate_hz if kind == "average" else None
    filter_hz = None if average_s is None else 1.0 / (pi * average_s)
    if kind == "one_pole":
        filter_hz = _log_uniform(rng, max(2.0, 0.05 * rate_hz), max(5.0, 0.5 * rate_hz))
    return Chain(
        sample_rate_hz=rate_hz,
        filter_hz=filter_hz,
        average_s=average_s,
        noise_n=capacity_n * _log_uniform(rng, 3e-5, 5e-4),
        resolution_n=capacity_n * float(rng.choice([1e-4, 2e-4, 1e-3])),
        capacity_n=capacity_n,
        clock_sd_s=float(rng.choice([0.0, 0.1, 0.25])) / rate_hz,
        stamp_sd_s=float(rng.choice([0.0, 0.002, 0.02])) / rate_hz,
        lost_share=float(rng.choice([0.0, 0.0, 0.01])),
    )


def draw_pull(
    rng: np.random.Generator, mode: str | None = None, *, truncated_share: float = 0.05
) -> SimulatedPull:
    """Draw a wire, a crimp, a rig and a tester, and pull.

    Parameters
    ----------
    mode
        How it is to end; drawn where it is None, all alike.
    truncated_share
        Share of recordings that are cut off before the top.
    """
    mode = str(rng.choice(list(SHAPES))) if mode is None else mode
    size, wire = draw_wire(rng)
    shape = SHAPES[mode](wire, rng)
    chain = draw_chain(rng, shape.peak_n)
    speed_mm_per_s = _log_uniform(rng, 25.0, 250.0) / 60.0
    truncated = bool(rng.random() < truncated_share)
    time_s, force_n = _seen(shape, chain, speed_mm_per_s, rng)
    if truncated:
        end = int(np.searchsorted(time_s, _cut_off_s(shape, speed_mm_per_s, rng)))
        time_s, force_n = time_s[: max(end, 2)], force_n[: max(end, 2)]
    elif rng.random() < 0.5:
        time_s, force_n = _as_a_station_ends(time_s, force_n)
    limit_n = 0.4 * soft_break_force_n(size)
    preload_n = min(5.0, max(1.0, 0.02 * limit_n))
    return SimulatedPull(
        time_s - time_s[0] + rng.uniform(-1.0, 1.0), force_n, size, chain, preload_n, mode,
        shape.peak_n, truncated, speed_mm_per_s,
    )  # fmt: skip


def _cut_off_s(shape: DrawnShape, speed_mm_per_s: float, rng: np.random.Generator) -> float:
    """A moment before the top, counted from the first pull on the wire."""
    top_mm = float(shape.travel_mm[int(np.argmax(shape.force_n))])
    climbing = (shape.force_n > 0.3 * shape.peak_n) & (shape.force_n < 0.9 * shape.peak_n)
    choices = shape.travel_mm[climbing & (shape.travel_mm < top_mm)]
    return float(rng.choice(choices)) / speed_mm_per_s


def _as_a_station_ends(time_s: Values, force_n: Values) -> tuple[Values, Values]:
    """End where the force has been below 0.3 of its peak for 0.4 s."""
    high = force_n >= 0.3 * np.maximum.accumulate(force_n)
    last_high_s = np.maximum.accumulate(np.where(high, time_s, -np.inf))
    over = (time_s - last_high_s >= 0.4) & (force_n.argmax() <= np.arange(force_n.size))
    end = int(np.argmax(over)) + 1 if over.any() else force_n.size
    return time_s[:end], force_n[:end]


def _seen(
    shape: DrawnShape, chain: Chain, speed_mm_per_s: float, rng: np.random.Generator
) -> tuple[Values, Values]:
    """What the chain makes of a pull; time 0 is the first pull on the wire."""
    period_s = 1.0 / chain.sample_rate_hz
    slack_s = rng.uniform(0.2, 2.0)
    end_s = float(shape.travel_mm[-1]) / speed_mm_per_s + rng.uniform(0.6, 1.5)
    even = np.arange(-slack_s + rng.uniform(0.0, period_s), end_s, period_s)
    moments = even + np.clip(rng.normal(0.0, 1.0, even.size), -2, 2) * chain.clock_sd_s
    moments = moments[rng.random(even.size) >= chain.lost_share]
    force = _through(shape, chain, moments, slack_s, speed_mm_per_s)
    force = force + rng.normal(0.0, chain.noise_n, force.size)
    force = np.round(force / chain.resolution_n) * chain.resolution_n
    stamps = moments + np.clip(rng.normal(0.0, 1.0, moments.size), -3, 3) * chain.stamp_sd_s
    stamps = np.maximum.accumulate(stamps) + np.arange(stamps.size) * 1e-9
    return stamps, force


def _through(
    shape: DrawnShape, chain: Chain, moments: Values, slack_s: float, speed_mm_per_s: float
) -> Values:
    if chain.filter_hz is None:
        return shape.at(moments * speed_mm_per_s)
    step_s = 1.0 / max(1000.0, 6.0 * chain.sample_rate_hz, 12.0 * chain.filter_hz)
    fine_s = np.arange(-slack_s - 0.5, float(moments[-1]) + step_s, step_s)
    true = shape.at(fine_s * speed_mm_per_s)
    if chain.average_s is not None:
        width = max(1, round(chain.average_s / step_s))
        total = np.concatenate(([0.0], np.cumsum(true)))
        passed = np.empty_like(true)
        passed[width:] = (total[width + 1 :] - total[1:-width]) / width
        passed[:width] = true[:width]
    else:
        passed = one_pole(true, 2.0 * pi * chain.filter_hz * step_s)
    return np.interp(moments, fine_s, passed)


def one_pole(values: Values, steps_per_time_constant: float) -> Values:
    """Run values, shape (n,), through a one-pole low-pass that starts settled at zero.

    Its impulse response is a geometric series, summed here by doubling: n log n, no loop over n.
    """
    keep = exp(-steps_per_time_constant)
    passed = (1.0 - keep) * values
    span = 1
    for _ in range(ceil(max(0.0, np.log2(40.0 / steps_per_time_constant))) + 1):
        if span >= values.size:
            break
        shifted = passed[:-span] * keep**span
        passed[span:] += shifted
        span *= 2
    return passed
