"""Reference standards as records: what each is worth on the day and at the site where it is used.

One TOML file a standard, in the folder that the setting ``standards_folder`` names. Pure: the day
is handed in.
"""

import math
from dataclasses import dataclass
from datetime import date
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import Field, RootModel, model_validator

from calibration.force import HungWeight, hung_force, local_gravity
from calibration.resistors import ReferenceResistor
from calibration.saying import say
from calibration.standing import CheckKind, InstrumentKind
from station.crimp.in_force import Facts, NotNegative, Positive
from station.errors import BadInput, DataFileError
from station.files import INVENTED_STANDARDS, read_all

Site = tuple[float, float]
"""Latitude in degrees and height in m."""

U_TEMPERATURE_K = 0.5
"""Standard uncertainty of a standard's temperature beside a room thermometer: about a kelvin
either way [common practice, no source]."""

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Conditions:
    """Where and when standards are used.

    Attributes
    ----------
    on
        The day.
    temperature_c
        Of the standards; None where it was not measured.
    site
        Of the bench, for hung weights; None where it is not known.
    """

    on: date
    temperature_c: float | None = None
    site: Site | None = None


class _Standard(Facts):
    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$", max_length=60)]
    title: Annotated[str, Field(min_length=1, max_length=200)]
    certificate: Annotated[str, Field(min_length=1, max_length=200)]
    certified_on: date
    due_on: date
    invented: bool = False
    """Made up, for the demo and as an example."""
    note: str = ""

    @model_validator(mode="after")
    def _dates_in_order(self) -> "_Standard":
        if not self.certified_on < self.due_on:
            raise ValueError("due_on must come after certified_on")
        return self

    def overdue(self, on: date) -> str | None:
        """What is to be said where its own calibration has run out by that day."""
        if on <= self.due_on:
            return None
        return say(
            "The standard {id} ({certificate}) was due on {due_on}: have it "
            "calibrated; what rests on it is not traceable until then.",
            id=self.id,
            certificate=self.certificate,
            due_on=self.due_on,
        )

    def _demand_own_value(self, indicated: float | None) -> None:
        if indicated is not None:
            raise BadInput(
                "{id} has a value of its own: give no other reference for it.", id=self.id
            )

    def words(self, on: date) -> str:
        """How a calibration names it: label, certificate, due date, and whether it was overdue."""
        late = "OVERDUE since" if on > self.due_on else "due"
        invented = say(", invented") if self.invented else ""
        return f"{self.id} (certificate {self.certificate}, {late} {self.due_on}{invented})"


class Resistor(_Standard):
    """A four-terminal resistor, or a kept length of wire that serves as one."""

    kind: Literal["resistor", "wire"]
    value_mohm: Positive
    u_mohm: NotNegative
    at_c: float = 20.0
    per_k: float = 0.0
    """Temperature coefficient as a fraction per kelvin."""
    u_per_k: NotNegative = 0.0
    drift_per_year: NotNegative = 0.0
    """Bound, as a fraction per year."""

    role: ClassVar[InstrumentKind] = "meter"
    """The instrument it serves."""

    def worth(self, around: Conditions, indicated: float | None = None) -> tuple[float, float]:
        """Value in ohm and its standard uncertainty (BadInput without a temperature)."""
        self._demand_own_value(indicated)
        temperature_c, u_temperature_k = self.at_c, 0.0
        if self.per_k or self.u_per_k:
            if around.temperature_c is None:
                raise BadInput(
                    "The value of {id} depends on its temperature: give that.", id=self.id
                )
            temperature_c, u_temperature_k = around.temperature_c, U_TEMPERATURE_K
        resistor = ReferenceResistor(
            self.id,
            self.value_mohm * 1e-3,
            self.u_mohm * 1e-3,
            self.at_c,
            self.per_k,
            self.u_per_k,
            self.drift_per_year,
        )
        years = (around.on - self.certified_on).days / DAYS_PER_YEAR
        value_ohm, budget = resistor.at(temperature_c, u_temperature_k, years=years)
        return value_ohm, budget.u


class Weight(_Standard):
    """A weight to be hung."""

    kind: Literal["weight"]
    mass_kg: Positive
    u_mass_kg: NotNegative
    density_kg_per_m3: Annotated[float, Field(ge=1000.0)] = 8000.0

    role: ClassVar[InstrumentKind] = "tester"
    """The instrument it serves."""

    def worth(self, around: Conditions, indicated: float | None = None) -> tuple[float, float]:
        """Force in newton and its standard uncertainty (BadInput without a site)."""
        self._demand_own_value(indicated)
        if around.site is None:
            raise BadInput(
                "The force of {id} depends on local gravity: give the bench's latitude and height.",
                id=self.id,
            )
        weight = HungWeight(self.mass_kg, self.u_mass_kg, self.density_kg_per_m3)
        try:
            force_n, budget = hung_force(weight, local_gravity(*around.site))
        except ValueError as error:
            raise BadInput(f"The weight {self.id} cannot be used: {error}.") from error
        return force_n, budget.u


class Cell(_Standard):
    """A reference cell with its indicator; the force is what it indicates."""

    kind: Literal["cell"]
    low_n: NotNegative
    high_n: Positive
    u_percent: NotNegative
    """Standard uncertainty of what it indicates, of the reading."""

    role: ClassVar[InstrumentKind] = "tester"
    """The instrument it serves."""

    def worth(
        self,
        around: Conditions,  # noqa: ARG002
        indicated: float | None = None,
    ) -> tuple[float, float]:
        """Force in newton and its standard uncertainty (BadInput beyond its certificate)."""
        if indicated is None or not math.isfinite(indicated):
            raise BadInput(
                "The cell {id} has no value of its own: give what it indicates.", id=self.id
            )
        if not self.low_n <= indicated <= self.high_n:
            raise BadInput(
                "{indicated:g} N is beyond the certificate of {id}, which covers "
                "{low_n:g} to {high_n:g} N.",
                indicated=indicated,
                id=self.id,
                low_n=self.low_n,
                high_n=self.high_n,
            )
        return indicated, indicated * self.u_percent / 100.0


Standard = Resistor | Weight | Cell


class StandardFile(RootModel[Annotated[Standard, Field(discriminator="kind")]]):
    """One file."""

    @property
    def id(self) -> str:
        """Its identifier, which the file is named after."""
        return self.root.id


CHECKED_WITH: dict[CheckKind, str] = {"resistor": "resistor", "wire": "wire", "weight": "weight"}
"""The kind of standard that a check is made with; a zero needs none."""


class Standards(dict[str, Standard]):
    """The shop's standards by identifier."""

    def named(self, name: str, role: InstrumentKind) -> Standard:
        """The standard of this name for an instrument (BadInput if there is none)."""
        fitting = [standard for standard in self.values() if standard.role == role]
        for standard in fitting:
            if standard.id == name:
                return standard
        known = ", ".join(standard.id for standard in fitting) or "none"
        raise BadInput(
            "There is no standard {name!r} for the {role}: there are {known}.",
            name=name,
            role=say(role),
            known=known,
        )


def load_standards(folder: Path | None, *, invented: bool = False) -> Standards:
    """A shop's reference standards; the shipped invented ones where there are none of its own.

    Parameters
    ----------
    folder
        Where the shop keeps them; None where it has none.
    invented
        Whether invented ones may stand in: for the demo only.

    Raises
    ------
    DataFileError
        The folder is missing, or a file cannot be read.
    """
    if folder is None:
        folders: list[Traversable | Path] = [INVENTED_STANDARDS] if invented else []
    elif not folder.is_dir():
        raise DataFileError(
            f"There is no folder {folder}: make it, or change the setting standards_folder."
        )
    else:
        folders = [folder]
    return Standards({file.id: file.root for file in read_all(folders, StandardFile)})
