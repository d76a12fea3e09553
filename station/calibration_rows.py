"""Calibration rows as a person enters them, by value or by the name of a standard. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from calibration.records import CalibrationPoint, CheckKind, Role
from station.errors import BadInput
from station.standards import CHECKED_WITH, Conditions, Standards


@dataclass(frozen=True, slots=True)
class PointRow:
    """One row in SI units.

    Attributes
    ----------
    standard
        Name of the standard on record; None where its value is given instead.
    reference, u_reference
        Value and standard uncertainty; of a reference cell, what it indicates.
    """

    reading: float
    standard: str | None = None
    reference: float | None = None
    u_reference: float | None = None


@dataclass(frozen=True, slots=True)
class TakenPoints:
    """Points in SI units, before and after adjustment; the second empty if nothing was adjusted."""

    as_found: tuple[CalibrationPoint, ...]
    as_left: tuple[CalibrationPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class StandardsInUse:
    """The shop's standards, and where and when they are used."""

    standards: Standards
    conditions: Conditions

    def point(self, row: PointRow, role: Role) -> CalibrationPoint:
        """The calibration point of a row.

        Raises
        ------
        BadInput
            There is no such standard, it cannot be used like this, or the row has no reference.
        """
        if row.standard is not None:
            if row.u_reference is not None:
                raise BadInput(
                    f"The uncertainty of {row.standard} is on record: give no other for it."
                )
            standard = self.standards.named(row.standard, role)
            return CalibrationPoint(*standard.worth(self.conditions, row.reference), row.reading)
        if row.reference is None:
            raise BadInput(f"The reading {row.reading:g} has no reference: give its value.")
        u_reference = row.u_reference or 0.0
        if u_reference < 0.0:
            raise BadInput(f"The uncertainty at {row.reference:g} is negative.")
        return CalibrationPoint(row.reference, u_reference, row.reading)

    def points(self, rows: Iterable[PointRow], role: Role) -> tuple[CalibrationPoint, ...]:
        """The points of some rows, as for one."""
        return tuple(self.point(row, role) for row in rows)

    def words(self, rows: Sequence[PointRow], role: Role) -> str:
        """The standards that rows name, with certificates and due dates, for the record."""
        names = dict.fromkeys(row.standard for row in rows if row.standard is not None)
        return "; ".join(
            self.standards.named(name, role).words(self.conditions.on) for name in names
        )

    def overdue(self, rows: Sequence[PointRow], role: Role) -> list[str]:
        """What must be said of standards in these rows whose own calibration has run out."""
        names = dict.fromkeys(row.standard for row in rows if row.standard is not None)
        said = (self.standards.named(name, role).overdue(self.conditions.on) for name in names)
        return [sentence for sentence in said if sentence is not None]

    def expected_at(self, kind: CheckKind, name: str, role: Role) -> float | None:
        """What a check should read by the record of its standard; None without such a record.

        Raises
        ------
        BadInput
            The record is that of another kind of standard, or the standard cannot be used here.
        """
        standard = self.standards.get(name)
        if standard is None or kind not in CHECKED_WITH:
            return None
        if standard.kind != CHECKED_WITH[kind] or standard.role != role:
            raise BadInput(f"{name} is a {standard.kind}: it cannot serve this check.")
        return standard.worth(self.conditions)[0]


def role_of_check(kind: CheckKind) -> Role | None:
    """The instrument that a check looks at; None for a zero, which both have."""
    if kind == "zero":
        return None
    return "tester" if kind == "weight" else "meter"
