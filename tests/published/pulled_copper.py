"""Pulls of crimped copper from material laws, with a tester's chain. Pure, seeded.

Shares no code and no parameter with the station's simulator or with `tests.benchmarks.drawn_pulls`.
What it draws from:

- annealed copper hardens by Hollomon's law (true stress K e**n; n 0.54 and K 315 MPa in Kalpakjian
  & Schmid, Manufacturing Engineering and Technology, table of K and n), by Ludwik's (a yield stress
  more) or by Voce's (a stress that saturates); tensile strength 200 to 260 MPa, yield 33 to 75 MPa,
  Young's modulus 110 to 128 GPa (Davis, ASM Specialty Handbook: Copper and Copper Alloys) [memory];
- the load is highest where the hardening rate equals the true stress (Considere 1885) [memory], and
  a sound wire breaks near there; strands of one wire differ by some per cent;
- Coulomb: the friction of what is drawn from a barrel falls with the length still inside, and a
  sliding coefficient is 0.6 to 1 of the static one (Bowden & Tabor, The Friction and Lubrication of
  Solids) [memory]; on a soft rig it sticks and slips where sliding is much easier than starting;
- a strand carries its share until its weakest section is at the strength of the metal; crosshead,
  rig and wire are springs in series, so that a broken strand lets the rig recoil [calc];
- AWG sizes by their definition, ASTM B258: 0.127 mm * 92**((36 - n)/39) [calc].

How weak a notched strand is, how long a barrel, how stiff a rig: [common practice, no source].
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Values = NDArray[np.float64]

STRANDS = {24: (7, 19), 22: (7, 19), 20: (7, 19, 26), 18: (7, 16, 19), 16: (19, 26), 14: (19, 41),
           12: (19, 65), 10: (65, 105)}  # fmt: skip

SHAPES = ("free wire", "edge", "strands in turn", "smooth pull-out", "sticking pull-out")


@dataclass(frozen=True, slots=True)
class Pull:
    """A pull without a tester: force in N over the crosshead's travel in mm, both of shape (n,)."""

    gauge: int
    travel_mm: Values
    force_n: Values

    @property
    def peak_n(self) -> float:
        """True peak."""
        return float(self.force_n.max())


@dataclass(frozen=True, slots=True)
class Rig:
    """A wire of some length in grips of some stiffness."""

    gauge: int
    area_mm2: float
    strands: int
    free_mm: float
    rig_n_per_mm: float
    modulus_mpa: float
    strain: Values
    stress_mpa: Values
    """Engineering strain up to somewhat beyond the highest load, and engineering stress there."""

    @property
    def strength_mpa(self) -> float:
        return float(self.stress_mpa.max())

    @property
    def break_n(self) -> float:
        return self.strength_mpa * self.area_mm2

    @property
    def stiffness_n_per_mm(self) -> float:
        """Of wire and rig while nothing yields."""
        wire = self.modulus_mpa * self.area_mm2 / self.free_mm
        return 1.0 / (1.0 / wire + 1.0 / self.rig_n_per_mm)


def _annealed(rng: np.random.Generator) -> tuple[Values, Values, float]:
    """Engineering strain and stress of annealed copper, and its modulus."""
    modulus = rng.uniform(110e3, 128e3)
    true = np.concatenate((np.linspace(0.0, 0.003, 40), np.geomspace(0.0031, 0.9, 600)))
    yield_mpa = rng.uniform(33.0, 75.0)
    law = rng.choice(["hollomon", "ludwik", "voce"])
    if law == "hollomon":
        stress = 315.0 * true ** rng.uniform(0.3, 0.54)
    elif law == "ludwik":
        stress = yield_mpa + 400.0 * true ** rng.uniform(0.4, 0.6)
    else:
        stress = 320.0 - (320.0 - yield_mpa) * np.exp(-true / rng.uniform(0.08, 0.2))
    engineering = stress * np.exp(-true)
    engineering *= rng.uniform(200.0, 260.0) / engineering.max()
    strain = np.expm1(true)
    return strain, np.minimum(engineering, modulus * strain), modulus


def rig(rng: np.random.Generator) -> Rig:
    """Draw a wire in a rig."""
    gauge = int(rng.choice(list(STRANDS)))
    diameter_mm = 0.127 * 92.0 ** ((36.0 - gauge) / 39.0)
    strain, stress, modulus = _annealed(rng)
    return Rig(
        gauge=gauge,
        area_mm2=math.pi / 4.0 * diameter_mm**2 * rng.uniform(0.96, 1.04),
        strands=int(rng.choice(STRANDS[gauge])),
        free_mm=rng.uniform(40.0, 150.0),
        rig_n_per_mm=float(np.exp(rng.uniform(np.log(30.0), np.log(400.0)))),
        modulus_mpa=modulus,
        strain=strain,
        stress_mpa=stress,
    )


def _parallel(rig: Rig, limits: Values) -> tuple[Values, Values]:
    """Travel and force of strands that share a strain, each up to its own strain ``limits``."""
    top = float(np.interp(limits.max(), rig.strain, np.arange(rig.strain.size)))
    strain = np.union1d(rig.strain[: int(top) + 1], limits)
    stress = np.interp(strain, rig.strain, rig.stress_mpa)
    one = rig.area_mm2 / limits.size
    before = one * stress * (limits.size - np.searchsorted(np.sort(limits), strain, side="left"))
    after = one * stress * (limits.size - np.searchsorted(np.sort(limits), strain, side="right"))
    strain, force = np.repeat(strain, 2), np.column_stack((before, after)).ravel()
    travel = strain * rig.free_mm + force / rig.rig_n_per_mm
    # The crosshead never goes back: what the rig's recoil jumps over happens at once.
    reached = np.maximum.accumulate(travel)
    kept = travel >= reached
    kept[1:] |= kept[:-1]
    return reached[kept], force[kept]


def _strain_at(rig: Rig, share: Values) -> Values:
    """Strain at which the wire carries a share of its strength, before its highest load."""
    top = int(np.argmax(rig.stress_mpa))
    rising = np.maximum.accumulate(rig.stress_mpa[: top + 1]) + np.arange(top + 1) * 1e-9
    return np.interp(share * rig.strength_mpa, rising, rig.strain[: top + 1])


def pull(shape: str, rng: np.random.Generator) -> Pull:
    """Draw a pull that ends in one of `SHAPES`."""
    held = rig(rng)
    if shape == "free wire":
        at_top = float(_strain_at(held, np.array([1.0]))[0])
        limits = at_top * rng.uniform(0.9, 1.1) * (1.0 + rng.normal(0.0, 0.03, held.strands))
        travel, force = _parallel(held, np.clip(limits, 0.01, held.strain[-1]))
    elif shape == "edge":
        weak = rng.uniform(0.45, 0.92) + rng.normal(0.0, rng.uniform(0.005, 0.03), held.strands)
        travel, force = _parallel(held, _strain_at(held, np.clip(weak, 0.2, 1.0)))
    elif shape == "strands in turn":
        weak = rng.uniform(0.35, 0.8) * np.exp(
            rng.normal(0.0, rng.uniform(0.15, 0.35), held.strands)
        )
        travel, force = _parallel(held, _strain_at(held, np.clip(weak, 0.1, 1.0)))
    else:
        travel, force = _drawn_out(held, rng, smooth=shape == "smooth pull-out")
    return _with_slack(held.gauge, travel, force, rng)


def _with_slack(gauge: int, travel: Values, force: Values, rng: np.random.Generator) -> Pull:
    # A bent wire straightens before it carries: a soft start.
    soft_mm, soft_n = rng.uniform(0.05, 1.0), rng.uniform(0.01, 0.05) * float(force.max())
    up = np.arange(force.size) <= int(np.argmax(force))
    gained = np.where(up, soft_mm * (1.0 - np.exp(-force / soft_n)), soft_mm)
    travel = np.maximum.accumulate(travel + gained) + np.arange(force.size) * 1e-7
    return Pull(gauge, np.append(travel, travel[-1] + 0.002), np.append(force, 0.0))


def _drawn_out(held: Rig, rng: np.random.Generator, *, smooth: bool) -> tuple[Values, Values]:
    static_n = rng.uniform(0.15, 0.8) * held.break_n
    up_to = float(_strain_at(held, np.array([static_n / held.break_n]))[0])
    strain = np.append(held.strain[held.strain < up_to], up_to)
    force = np.interp(strain, held.strain, held.stress_mpa) * held.area_mm2
    travel = strain * held.free_mm + force / held.rig_n_per_mm
    barrel_mm = rng.uniform(3.0, 10.0)
    sliding = rng.uniform(0.85, 1.0) if smooth else rng.uniform(0.6, 0.85)
    # The soft wire no longer yields: it and the rig unload along their stiffness.
    out_mm = np.linspace(0.0, barrel_mm, 400)
    start_n = static_n * (1.0 - out_mm / barrel_mm)
    if smooth:
        eases_mm = rng.uniform(0.05, 0.5)
        coefficient = sliding + (1.0 - sliding) * np.exp(-out_mm / eases_mm)
        falls_n = start_n * coefficient
        moved = travel[-1] + out_mm + (falls_n - static_n) / held.stiffness_n_per_mm
        # Where the rig gives back faster than the friction falls, it all goes at once.
        return np.append(travel, np.maximum.accumulate(moved)), np.append(force, falls_n)
    return _stick_slip(held, travel, force, barrel_mm, sliding)


def _stick_slip(
    held: Rig, travel: Values, force: Values, barrel_mm: float, sliding: float
) -> tuple[Values, Values]:
    """Slip until the spring is as far below the sliding friction as it was above; stick; again."""
    travels, forces = [travel], [force]
    static_n, out_mm, at_mm = float(force[-1]), 0.0, float(travel[-1])
    here_n = static_n
    while out_mm < 0.97 * barrel_mm:
        start_n = static_n * (1.0 - out_mm / barrel_mm)
        climb_mm = max(start_n - here_n, 0.0) / held.stiffness_n_per_mm
        low_n = max(start_n * (2.0 * sliding - 1.0), 0.0)
        slip_mm = max((start_n - low_n) / held.stiffness_n_per_mm, 0.02)
        travels.append(np.array([at_mm + climb_mm, at_mm + climb_mm + 0.002]))
        forces.append(np.array([start_n, low_n]))
        at_mm, here_n, out_mm = at_mm + climb_mm + 0.002, low_n, out_mm + slip_mm
    return np.concatenate(travels), np.concatenate(forces)


def slipped(drawn: Pull, lost: float, rng: np.random.Generator) -> Pull:
    """The same pull, but the grips slip once on its climb and lose a share of the force.

    What was lost is climbed again along the elastic stiffness; from there on it goes as before.
    """
    top = int(np.argmax(drawn.force_n))
    at = int(np.flatnonzero(drawn.force_n[: top + 1] >= rng.uniform(0.3, 0.9) * drawn.peak_n)[0])
    held_n, at_mm = float(drawn.force_n[at]), float(drawn.travel_mm[at])
    low = drawn.force_n[:top] > 0.15 * drawn.peak_n
    slopes = np.diff(drawn.force_n[: top + 1])[low] / np.diff(drawn.travel_mm[: top + 1])[low]
    back_mm = lost * held_n / float(np.max(slopes))
    slide_mm = rng.uniform(0.003, 0.1)
    travel = np.concatenate((
        drawn.travel_mm[: at + 1],
        [at_mm + slide_mm, at_mm + slide_mm + back_mm],
        drawn.travel_mm[at + 1 :] + slide_mm + back_mm,
    ))  # fmt: skip
    force = np.concatenate((
        drawn.force_n[: at + 1], [held_n * (1.0 - lost), held_n], drawn.force_n[at + 1 :],
    ))  # fmt: skip
    return Pull(drawn.gauge, travel, force)


@dataclass(frozen=True, slots=True)
class Chain:
    """A tester: samples a second, noise and last digit in N, corner of a one-pole filter.

    ``smoothed_s`` is the time constant by which its noise is smoothed; neighbours are then alike.
    """

    rate_hz: float
    noise_n: float
    digit_n: float
    filter_hz: float | None = None
    smoothed_s: float = 0.0


def seen(
    drawn: Pull, chain: Chain, speed_mm_per_s: float, rng: np.random.Generator
) -> tuple[Values, Values]:
    """Seconds and newtons as the chain shows them, from some rest before to some after."""
    period_s = 1.0 / chain.rate_hz
    rest_s = rng.uniform(0.3, 1.5)
    end_s = float(drawn.travel_mm[-1]) / speed_mm_per_s + rng.uniform(0.5, 1.0)
    time_s = np.arange(-rest_s + rng.uniform(0.0, period_s), end_s, period_s)

    def true_n(at_s: Values) -> Values:
        return np.interp(at_s * speed_mm_per_s, drawn.travel_mm, drawn.force_n, left=0.0, right=0.0)

    if chain.filter_hz is None:
        force = true_n(time_s)
    else:
        step_s = 1.0 / max(4.0 * chain.rate_hz, 20.0 * chain.filter_hz)
        fine_s = np.arange(-rest_s - 0.5, end_s, step_s)
        force = np.interp(time_s, fine_s, _one_pole(true_n(fine_s), chain.filter_hz, step_s))
    force = force + chain.noise_n * _noise(chain.smoothed_s * chain.rate_hz, force.size, rng)
    if chain.digit_n > 0.0:
        force = np.round(force / chain.digit_n) * chain.digit_n
    return time_s - time_s[0], force


def _noise(smoothed: float, size: int, rng: np.random.Generator) -> Values:
    """Normal values of standard deviation 1, smoothed over so many samples [calc]."""
    if smoothed == 0.0:
        return rng.normal(0.0, 1.0, size)
    keep = math.exp(-1.0 / smoothed)
    before = int(12.0 * smoothed) + 1
    fresh = rng.normal(0.0, math.sqrt(1.0 - keep**2), size + before)
    return np.asarray(lfilter([1.0], [1.0, -keep], fresh)[before:])


def _one_pole(values: Values, corner_hz: float, step_s: float) -> Values:
    keep = math.exp(-2.0 * math.pi * corner_hz * step_s)
    weights = (1.0 - keep) * keep ** np.arange(min(values.size, int(40.0 / -math.log(keep)) + 1))
    return np.convolve(values, weights)[: values.size]
