"""Reference resistors: what a four-terminal standard is worth on the day it is used."""

import math
from dataclasses import dataclass

from calibration.uncertainty import Budget, Contribution


@dataclass(frozen=True, slots=True)
class ReferenceResistor:
    """A four-terminal resistor as its certificate states it.

    Attributes
    ----------
    name
        Its serial number or label.
    value_ohm, u_ohm
        Value and standard uncertainty (the certificate's expanded one over its factor).
    certified_at_c
        Temperature that the value holds at.
    per_k, u_per_k
        Temperature coefficient as a fraction per kelvin, with standard uncertainty.
    drift_per_year
        Bound of its drift as a fraction per year.
    """

    name: str
    value_ohm: float
    u_ohm: float
    certified_at_c: float = 20.0
    per_k: float = 0.0
    u_per_k: float = 0.0
    drift_per_year: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value_ohm) and self.value_ohm > 0.0):
            raise ValueError(f"the resistor {self.name} must have a positive value")
        spreads = (self.u_ohm, self.u_per_k, self.drift_per_year)
        if not all(math.isfinite(spread) and spread >= 0.0 for spread in spreads):
            raise ValueError(f"an uncertainty of the resistor {self.name} is negative")

    def at(
        self, temperature_c: float, u_temperature_k: float = 0.0, *, years: float = 0.0
    ) -> tuple[float, Budget]:
        """Value in ohm at a temperature, ``years`` after its certificate, and its budget.

        Parameters
        ----------
        temperature_c, u_temperature_k
            Of the resistor, with standard uncertainty.
        """
        off_k = temperature_c - self.certified_at_c
        value_ohm = self.value_ohm * (1.0 + self.per_k * off_k)
        return value_ohm, Budget.of(
            [
                Contribution("certificate", self.u_ohm),
                Contribution("temperature", self.value_ohm * abs(self.per_k) * u_temperature_k),
                Contribution("temperature coefficient", self.value_ohm * self.u_per_k * abs(off_k)),
                Contribution(
                    "drift", self.value_ohm * self.drift_per_year * max(0.0, years) / math.sqrt(3.0)
                ),
            ]
        )
