"""How force follows travel in a pull, for each way a pull can end. Pure, seeded.

A shape is a broken line through (travel in mm, force in N); a sudden loss is a very short piece of
it. All numbers are invented, within what physics allows: soft copper yields early, then stretches
far and rounds off to no slope at its own breaking force; whatever breaks sooner still breaks while
the force climbs; a wire that draws out keeps rubbing for the length of the barrel; a grip that
slips loses force, bites again and climbs at the rig's own stiffness.
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
class Shape:
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


def joined(*pieces: tuple[Line, Line]) -> Shape:
    """Join pieces end to end; each piece's travel counts from the end of the one before."""
    travels, forces, end = [], [], 0.0
    for travel, force in pieces:
        travels.append(end + np.asarray(travel, dtype=np.float64))
        forces.append(np.asarray(force, dtype=np.float64))
        end = float(travels[-1][-1]) + 1e-9
    return Shape(np.concatenate(travels), np.concatenate(forces))


def _forces(top_n: float) -> Line:
    return np.linspace(0.0, top_n, 160)


def _rounded(force: Line, top_n: float, begins: float, creep_mm: float) -> Line:
    """Extra travel of something that gives way before it lets go."""
    return creep_mm * np.clip((force / top_n - begins) / (1.0 - begins), 0.0, None) ** 2


def _strands_part(top_n: float, strands: int, over_mm: float, rng: np.random.Generator) -> Piece:
    """Strands break one by one within ``over_mm`` of travel."""
    at = np.sort(rng.uniform(0.0, over_mm, strands))
    at += np.arange(strands) * 2.0 * SUDDEN_MM + SUDDEN_MM
    left = np.arange(strands, -1, -1) / strands * top_n
    travel = np.column_stack((at, at + SUDDEN_MM)).ravel()
    return travel, np.column_stack((left[:-1], left[1:])).ravel()


def broke_in_wire(wire: PulledWire, rng: np.random.Generator) -> Shape:
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
    pieces.append(_strands_part(top_n, wire.strands, rng.uniform(0.05, 1.0), rng))
    return joined(*pieces)


def broke_at_edge(wire: PulledWire, rng: np.random.Generator) -> Shape:
    """Break where the barrel's edge has notched the strands: sooner, while still stretching."""
    top_n = wire.break_n * rng.uniform(0.68, 0.93)
    force = _forces(top_n)
    parting = _strands_part(top_n, wire.strands, rng.uniform(0.05, 0.6), rng)
    return joined((wire.travel_mm(force), force), parting)


def broke_in_barrel(wire: PulledWire, rng: np.random.Generator) -> Shape:
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


def drawn_out(wire: PulledWire, rng: np.random.Generator) -> Shape:
    """Creep, let go, and rub along the rest of the barrel, sticking and slipping."""
    top_n = wire.break_n * rng.uniform(0.2, 0.85)
    force = _forces(top_n)
    creep = _rounded(force, top_n, 0.8, rng.uniform(0.0, 0.6))
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


def connector_broke(wire: PulledWire, rng: np.random.Generator) -> Shape:
    """Break the metal of the connector: the wire outlasts it, so it is hard and stays elastic.

    ``wire.break_n`` is the figure for soft copper; this wire carries more.
    """
    top_n = wire.break_n * rng.uniform(1.12, 1.7)
    force = _forces(top_n)
    travel = wire.elastic_mm(force) + _rounded(force, top_n, 0.9, rng.uniform(0.0, 0.15))
    torn_n = rng.choice([0.0, rng.uniform(0.1, 0.5)]) * top_n
    tears = np.array([0.0, SUDDEN_MM, rng.uniform(0.05, 0.4)])
    return joined((travel, force), (tears, np.array([top_n, torn_n, 0.0])))


def insulation_only(wire: PulledWire, rng: np.random.Generator) -> Shape:
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


def grip_slip(wire: PulledWire, rng: np.random.Generator) -> Shape:
    """Lose the grip one to six times, bite again; then a true break, sliding out, or giving up."""
    level_n = wire.break_n * rng.uniform(0.3, 0.75)
    first_n = level_n * rng.uniform(0.7, 1.0)
    force = _forces(first_n)
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
        pieces.append(_strands_part(top_n, wire.strands, rng.uniform(0.05, 0.6), rng))
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


ShapeDrawer = Callable[[PulledWire, np.random.Generator], Shape]

SHAPES: dict[str, ShapeDrawer] = {
    "drawn_out": drawn_out,
    "broke_in_barrel": broke_in_barrel,
    "broke_at_edge": broke_at_edge,
    "broke_in_wire": broke_in_wire,
    "connector_broke": connector_broke,
    "insulation_only": insulation_only,
    "grip_slip": grip_slip,
}
"""The ways a pull ends, by the names of :data:`station.crimp.pull.reduce.FAILURE_MODES`."""
