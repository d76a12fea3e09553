"""How force follows travel in a pull, for some of the ways a pull can end. Pure, seeded.

A shape is a broken line through (travel in mm, force in N); a sudden loss is a very short piece of
it. All numbers are invented, within what physics allows: soft copper yields early, then stretches
far and rounds off to no slope at its own breaking force; whatever breaks sooner still breaks while
the force climbs.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Line = NDArray[np.float64]
Piece = tuple[Line, Line]
"""Travel and force along a piece of a pull; its travel counts from its own start."""

_THIN_WIRE_N = 33.0
"""Breaking force of 26 AWG in soft copper."""

SUDDEN_MM = 0.004
"""Travel of the crosshead while something lets go at once."""


@dataclass(frozen=True, slots=True)
class PulledWire:
    """A wire in a rig, before anything fails.

    Attributes
    ----------
    break_n
        Its own breaking force.
    stiffness_n_per_mm
        Of the rig, the grips and the wire while elastic, in series.
    plastic_mm
        Travel that the free length yields up to its breaking force.
    yield_share
        Share of ``break_n`` where it begins to yield.
    hardening
        Exponent of its rounding off; 2 to 3.
    toe_mm, toe_n
        Extra travel while the wire straightens, and the force that takes it up.
    """

    break_n: float
    stiffness_n_per_mm: float
    plastic_mm: float
    yield_share: float
    hardening: float
    toe_mm: float
    toe_n: float
    strands: int

    def travel_mm(self, force_n: Line) -> Line:
        """Travel at which the whole wire carries a force below ``break_n``."""
        share = (force_n / self.break_n - self.yield_share) / (1.0 - self.yield_share)
        stretched = 1.0 - (1.0 - np.clip(share, 0.0, 1.0)) ** (1.0 / self.hardening)
        toe = self.toe_mm * (1.0 - np.exp(-force_n / self.toe_n))
        return force_n / self.stiffness_n_per_mm + toe + self.plastic_mm * stretched

    def elastic_mm(self, force_n: Line) -> Line:
        """Travel where the wire does not yield: only the rig gives."""
        toe = self.toe_mm * (1.0 - np.exp(-force_n / self.toe_n))
        return force_n / self.stiffness_n_per_mm + toe


@dataclass(frozen=True, slots=True)
class DrawnShape:
    """A pull as force over travel: knots with travel rising, shape (n,) each."""

    travel_mm: Line
    force_n: Line

    @property
    def peak_n(self) -> float:
        """Highest force."""
        return float(self.force_n.max())

    def at(self, travel_mm: Line) -> Line:
        """Force at a travel; zero after the last knot."""
        return np.interp(travel_mm, self.travel_mm, self.force_n, right=float(self.force_n[-1]))


def joined(*pieces: tuple[Line, Line]) -> DrawnShape:
    """Join pieces end to end; each piece's travel counts from the end of the one before."""
    travels, forces, end = [], [], 0.0
    for travel, force in pieces:
        travels.append(end + np.asarray(travel, dtype=np.float64))
        forces.append(np.asarray(force, dtype=np.float64))
        end = float(travels[-1][-1]) + 1e-9
    return DrawnShape(np.concatenate(travels), np.concatenate(forces))


def rounded(force: Line, top_n: float, begins: float, creep_mm: float) -> Line:
    """Extra travel of something that gives way before it lets go."""
    return creep_mm * np.clip((force / top_n - begins) / (1.0 - begins), 0.0, None) ** 2


def strands_part(top_n: float, strands: int, over_mm: float, rng: np.random.Generator) -> Piece:
    """Strands break one by one within ``over_mm`` of travel."""
    at = np.sort(rng.uniform(0.0, over_mm, strands))
    at += np.arange(strands) * 2.0 * SUDDEN_MM + SUDDEN_MM
    left = np.arange(strands, -1, -1) / strands * top_n
    travel = np.column_stack((at, at + SUDDEN_MM)).ravel()
    return travel, np.column_stack((left[:-1], left[1:])).ravel()


def broke_in_wire(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Stretch to the wire's own breaking force, neck a little, part."""
    force = np.linspace(0.0, wire.break_n, 400)
    travel = wire.travel_mm(force)
    until = rng.uniform(0.85, 1.06) * wire.plastic_mm
    plastic = travel - wire.elastic_mm(force)
    kept = plastic <= until
    pieces = [(travel[kept], force[kept])]
    top_n = float(force[kept][-1])
    if until > wire.plastic_mm:
        neck = np.linspace(0.0, until - wire.plastic_mm, 20)
        lost = rng.uniform(0.0, 0.04) * (neck / neck[-1]) ** 2
        pieces.append((neck, top_n * (1.0 - lost)))
        top_n *= 1.0 - float(lost[-1])
    pieces.append(strands_part(top_n, wire.strands, rng.uniform(0.05, 1.0), rng))
    return joined(*pieces)


def broke_in_barrel(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Lose strands early and one by one: each was cut or squeezed thin by a different share."""
    spread = rng.uniform(0.12, 0.28)
    limits = np.sort(rng.uniform(0.45, 0.9) * np.exp(rng.normal(0.0, spread, wire.strands)))
    limits = np.minimum(limits, 0.97) * wire.break_n
    limits += np.arange(wire.strands) * 1e-6 * wire.break_n
    force = np.union1d(np.linspace(0.0, limits[-1], 300), limits)
    whole = 1.0 - np.searchsorted(limits, force, side="left") / wire.strands
    broken = 1.0 - np.searchsorted(limits, force, side="right") / wire.strands
    travel = wire.travel_mm(force)
    ends = np.minimum(travel + SUDDEN_MM, np.append(travel[1:], travel[-1] + 1.0))
    lines = (
        np.column_stack((travel, ends)).ravel(),
        np.column_stack((force * whole, force * broken)).ravel(),
    )
    rubbing_n = float(lines[1].max()) * rng.uniform(0.0, 0.08)
    rubs = (np.array([0.0, rng.uniform(0.3, 2.0)]), np.array([rubbing_n, 0.0]))
    return joined(lines, rubs)


def connector_broke(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Break the metal of the connector: the wire outlasts it, so it is hard and stays elastic.

    ``wire.break_n`` is the figure for soft copper; this wire carries more.
    """
    top_n = wire.break_n * rng.uniform(1.12, 1.7)
    force = np.linspace(0.0, top_n, 160)
    travel = wire.elastic_mm(force) + rounded(force, top_n, 0.9, rng.uniform(0.0, 0.15))
    torn_n = rng.choice([0.0, rng.uniform(0.1, 0.5)]) * top_n
    tears = np.array([0.0, SUDDEN_MM, rng.uniform(0.05, 0.4)])
    return joined((travel, force), (tears, np.array([top_n, torn_n, 0.0])))


def insulation_only(wire: PulledWire, rng: np.random.Generator) -> DrawnShape:
    """Stretch the jacket: a few newtons over a long way, then torn or stripped off."""
    # A jacket grows with the wire's girth, the metal with its area.
    top_n = rng.uniform(3.0, 8.0) * (wire.break_n / _THIN_WIRE_N) ** 0.5
    way_mm = rng.uniform(6.0, 45.0)
    travel = np.linspace(0.0, way_mm, 200)
    rounding = way_mm * rng.uniform(0.25, 0.8)
    force = top_n * (1.0 - np.exp(-travel / rounding)) / (1.0 - np.exp(-way_mm / rounding))
    if rng.random() < 0.5:
        end = (np.array([0.0, rng.uniform(0.01, 0.5)]), np.array([top_n, 0.0]))
    else:
        end = (np.array([0.0, rng.uniform(1.0, 10.0)]), np.array([top_n, 0.0]))
    return joined((travel, force), end)


ShapeDrawer = Callable[[PulledWire, np.random.Generator], DrawnShape]

SHAPES: dict[str, ShapeDrawer] = {
    "broke_in_barrel": broke_in_barrel,
    "broke_in_wire": broke_in_wire,
    "connector_broke": connector_broke,
    "insulation_only": insulation_only,
}
"""The ways a pull ends, by the names of :data:`station.crimp.pull.reduce.FAILURE_MODES`."""


def shaped_curve(mode: str, break_n: float, rng: np.random.Generator, step_mm: float) -> Line:
    """Force at every ``step_mm`` of travel of a pull that ends in one of `SHAPES`."""
    wire = PulledWire(
        break_n=break_n,
        stiffness_n_per_mm=60.0,
        plastic_mm=8.0,
        yield_share=0.4,
        hardening=2.5,
        toe_mm=0.2,
        toe_n=0.05 * break_n,
        strands=16,
    )
    drawn = SHAPES[mode](wire, rng)
    top_mm = float(drawn.travel_mm[int(np.argmax(drawn.force_n))])
    travel_mm = np.arange(-1.0, float(drawn.travel_mm[-1]) + 2, step_mm)
    travel_mm += top_mm - travel_mm[np.searchsorted(travel_mm, top_mm)]
    return drawn.at(travel_mm) * (break_n / drawn.peak_n)
