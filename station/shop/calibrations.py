"""Calibrations: rows and standards to points, points to a line, a class and the entry kept."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from calibration.classes import Classification, ForcePoint, classify
from calibration.standing import CalibrationLine, CalibrationPoint, CheckKind, InstrumentKind
from station.errors import BadInput
from station.ledger.entries import InstrumentCalibrated, PointTaken
from station.shop.standards import CHECKED_WITH, Conditions, Standards


@dataclass(frozen=True, slots=True)
class TakenPoints:
    """Points in SI units, before and after adjustment; the second empty if nothing was adjusted."""

    as_found: tuple[CalibrationPoint, ...]
    as_left: tuple[CalibrationPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class PointRow:
    """One row of a table of points, in SI units.

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
class StandardsInUse:
    """The shop's standards, and where and when they are used."""

    standards: Standards
    conditions: Conditions

    def point(self, row: PointRow, role: InstrumentKind) -> CalibrationPoint:
        """The calibration point of a row.

        Raises
        ------
        BadInput
            There is no such standard, it cannot be used like this, or the row has no reference.
        """
        if row.standard is not None:
            if row.u_reference is not None:
                raise BadInput(
                    "The uncertainty of {standard} is on record: give no other for it.",
                    standard=row.standard,
                )
            standard = self.standards.named(row.standard, role)
            return CalibrationPoint(*standard.worth(self.conditions, row.reference), row.reading)
        if row.reference is None:
            raise BadInput(
                "The reading {reading:g} has no reference: give its value.",
                reading=row.reading,
            )
        u_reference = row.u_reference or 0.0
        if u_reference < 0.0:
            raise BadInput("The uncertainty at {reference:g} is negative.", reference=row.reference)
        return CalibrationPoint(row.reference, u_reference, row.reading)

    def points(
        self, rows: Iterable[PointRow], role: InstrumentKind
    ) -> tuple[CalibrationPoint, ...]:
        """The points of some rows, as for one."""
        return tuple(self.point(row, role) for row in rows)

    def words(self, rows: Sequence[PointRow], role: InstrumentKind) -> str:
        """The standards that rows name, with certificates and due dates, for the record."""
        names = dict.fromkeys(row.standard for row in rows if row.standard is not None)
        return "; ".join(
            self.standards.named(name, role).words(self.conditions.on) for name in names
        )

    def expected_at(self, kind: CheckKind, name: str, role: InstrumentKind) -> float | None:
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


def calibrated(
    role: InstrumentKind, facts: dict[str, Any], taken: TakenPoints
) -> InstrumentCalibrated:
    """An instrument's calibration; of a tester see `calibrated_tester`.

    Parameters
    ----------
    facts
        The fields of :class:`InstrumentCalibrated` that say who, when and against what.

    Raises
    ------
    BadInput
        The points make no line, or it is due before it was made.
    """
    calibrated_on, due_on = facts["calibrated_on"], facts["due_on"]
    if not calibrated_on < due_on:
        raise BadInput(
            "It is due on {due_on}, but was made on {calibrated_on}: check both dates.",
            due_on=due_on,
            calibrated_on=calibrated_on,
        )
    try:
        CalibrationLine.through(taken.as_left or taken.as_found, facts["drift_fraction"])
    except ValueError as error:
        raise BadInput("The points make no calibration: {error}.", error=str(error)) from error
    return InstrumentCalibrated(
        role=role, as_found=_kept(taken.as_found), as_left=_kept(taken.as_left), **facts
    )


def calibrated_tester(
    facts: dict[str, Any],
    taken: TakenPoints,
    *,
    resolution_n: float,
    zero_n: float | None = None,
    scheme: str = "iso-7500-1-2018",
    class_wanted: str | None = None,
) -> InstrumentCalibrated:
    """A tester's calibration with its class as found and as left.

    Parameters
    ----------
    class_wanted
        It is accepted only if it was left in this class or a better one.

    Raises
    ------
    BadInput
        As for any instrument, or the points cannot be classified, or there is no such class.
    """
    made = calibrated("tester", facts, taken)
    try:
        found, left = (
            classify(force_points(points), resolution_n=resolution_n, scheme=scheme, zero_n=zero_n)
            for points in (taken.as_found or taken.as_left, taken.as_left or taken.as_found)
        )
        accepted = class_wanted is None or left.meets(class_wanted)
    except ValueError as error:
        raise BadInput("The points cannot be classified: {error}.", error=str(error)) from error
    result = {
        "accepted": accepted,
        "class_found": _class_words(found),
        "class_left": _class_words(left),
    }
    return made.model_copy(update=result)


def force_points(points: Sequence[CalibrationPoint]) -> list[ForcePoint]:
    """Points of one reference force gathered: their readings are its series."""
    gathered: dict[float, list[float]] = {}
    for point in points:
        gathered.setdefault(point.reference, []).append(point.reading)
    return [ForcePoint(force_n, tuple(readings)) for force_n, readings in gathered.items()]


def _kept(points: Sequence[CalibrationPoint]) -> tuple[PointTaken, ...]:
    return tuple(PointTaken(**asdict(point)) for point in points)


def _class_words(found: Classification) -> str | None:
    return None if found.class_name is None else f"{found.scheme.title} class {found.class_name}"
