"""Forces of hung weights: local gravity, air buoyancy, and how sure one is of the result."""

import math
from dataclasses import dataclass

from calibration.uncertainty import Budget, Contribution

STANDARD_GRAVITY = 9.80665
"""Conventional value in m/s²; the true one differs by up to 0.3 % from it."""

EQUATOR_GRAVITY = 9.7803267715
GRAVITY_CONSTANT = 0.001931851353
ECCENTRICITY_SQUARED = 0.00669438002290
"""Normal gravity of the ellipsoid GRS80 (Moritz, Geodetic Reference System 1980)."""

GRAVITY_PER_METRE = 3.086e-6
"""Free-air decrease with height, in m/s² per m."""

U_GRAVITY = 1e-3 / math.sqrt(3.0)
"""Rocks and mountains move true gravity by up to about 0.001 m/s² from normal gravity: a bound
taken as rectangular [common practice, no source]."""

AIR_DENSITY = 1.2
U_AIR_DENSITY = 0.12 / math.sqrt(3.0)
"""In kg/m³; a tenth either way covers weather and rooms below some 800 m, rectangular."""

STEEL_DENSITY = 8000.0
"""Conventional density of weights, in kg/m³."""


def local_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity in m/s² at a latitude and a height above the sea.

    Somigliana's formula on GRS80, less the free-air decrease.

    Raises
    ------
    ValueError
        The latitude is beyond a pole, or the height not on Earth's surface.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError(f"the latitude must lie between -90 and 90 degrees: {latitude_deg}")
    if not -500.0 <= height_m <= 9000.0:
        raise ValueError(f"the height must lie between -500 and 9000 m: {height_m}")
    sine_squared = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = (
        EQUATOR_GRAVITY
        * (1.0 + GRAVITY_CONSTANT * sine_squared)
        / math.sqrt(1.0 - ECCENTRICITY_SQUARED * sine_squared)
    )
    return at_sea - GRAVITY_PER_METRE * height_m


@dataclass(frozen=True, slots=True)
class HungWeight:
    """A weight as its certificate or its scale states it.

    Attributes
    ----------
    mass_kg, u_mass_kg
        Mass and its standard uncertainty.
    density
        Of its material, in kg/m³.
    """

    mass_kg: float
    u_mass_kg: float = 0.0
    density: float = STEEL_DENSITY

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mass_kg) and self.mass_kg > 0.0):
            raise ValueError(f"the mass must be positive: {self.mass_kg} kg")
        if not (math.isfinite(self.u_mass_kg) and self.u_mass_kg >= 0.0):
            raise ValueError(f"the uncertainty of the mass must not be negative: {self.u_mass_kg}")
        if not self.density > 100.0 * AIR_DENSITY:
            raise ValueError(f"no weight is as light as {self.density} kg/m³")


def hung_force(
    weight: HungWeight, gravity: float, u_gravity: float = U_GRAVITY
) -> tuple[float, Budget]:
    """Force in newton with which a weight pulls when it hangs still, and its budget.

    ``F = m g (1 - rho_air / rho)``: what hangs in air is lighter by the air it displaces.

    Parameters
    ----------
    gravity, u_gravity
        At the bench, in m/s², with standard uncertainty.
    """
    lift = 1.0 - AIR_DENSITY / weight.density
    force_n = weight.mass_kg * gravity * lift
    return force_n, Budget.of(
        [
            Contribution("mass", force_n * weight.u_mass_kg / weight.mass_kg),
            Contribution("gravity", force_n * u_gravity / gravity),
            Contribution("air buoyancy", weight.mass_kg * gravity * U_AIR_DENSITY / weight.density),
        ]
    )
