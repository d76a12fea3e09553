"""From calibration points to the entry that is kept: line, class, accepted or not."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from calibration.classes import Classification, ForcePoint, classify
from calibration.records import CalibrationLine, CalibrationPoint, Role
from station.errors import BadInput
from station.ledger.entries import InstrumentCalibrated, PointTaken


class PointsTaken(Protocol):
    """Points before and after adjustment, in SI units."""

    @property
    def as_found(self) -> Sequence[CalibrationPoint]:
        """Before anything was adjusted."""

    @property
    def as_left(self) -> Sequence[CalibrationPoint]:
        """After it; empty where nothing was adjusted."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration ready to be written; ``shortfalls`` say what it lacks, in words."""

    payload: InstrumentCalibrated
    line: CalibrationLine
    shortfalls: tuple[str, ...] = ()


def calibrated_meter(facts: dict[str, Any], taken: PointsTaken) -> Calibrated:
    """A meter's calibration.

    Parameters
    ----------
    facts
        The fields of :class:`InstrumentCalibrated` that say who, when and against what.

    Raises
    ------
    BadInput
        The points make no line, or it is due before it was made.
    """
    return _made("meter", facts, taken)


def calibrated_tester(
    facts: dict[str, Any],
    taken: PointsTaken,
    *,
    resolution_n: float,
    zero_n: float | None = None,
    scheme: str = "iso-7500-1-2018",
    class_wanted: str | None = None,
) -> Calibrated:
    """A tester's calibration with its class as found and as left.

    Parameters
    ----------
    class_wanted
        It is accepted only if it was left in this class or a better one.

    Raises
    ------
    BadInput
        As for a meter, or the points cannot be classified, or there is no such class.
    """
    made = _made("tester", facts, taken)
    try:
        found = classify(
            force_points(taken.as_found or taken.as_left), resolution_n=resolution_n,
            scheme=scheme, zero_n=zero_n,
        )  # fmt: skip
        left = found
        if taken.as_left:
            left = classify(
                force_points(taken.as_left), resolution_n=resolution_n, scheme=scheme,
                zero_n=zero_n,
            )  # fmt: skip
        accepted = class_wanted is None or left.meets(class_wanted)
    except ValueError as error:
        raise BadInput(f"The points cannot be classified: {error}.") from error
    result = {
        "accepted": accepted,
        "class_found": _class_words(found),
        "class_left": _class_words(left),
    }
    return Calibrated(made.payload.model_copy(update=result), made.line, left.shortfalls)


def force_points(points: Sequence[CalibrationPoint]) -> list[ForcePoint]:
    """Points of one reference force gathered: their readings are its series."""
    gathered: dict[float, list[float]] = {}
    for point in points:
        gathered.setdefault(point.reference, []).append(point.reading)
    return [ForcePoint(force_n, tuple(readings)) for force_n, readings in gathered.items()]


def _made(role: Role, facts: dict[str, Any], taken: PointsTaken) -> Calibrated:
    calibrated_on, due_on = facts["calibrated_on"], facts["due_on"]
    if not calibrated_on < due_on:
        raise BadInput(f"It is due on {due_on}, but was made on {calibrated_on}: check both dates.")
    points = tuple(taken.as_left) or tuple(taken.as_found)
    try:
        line = CalibrationLine.through(points, facts["drift_fraction"])
    except ValueError as error:
        raise BadInput(f"The points make no calibration: {error}.") from error
    payload = InstrumentCalibrated(
        role=role,
        as_found=_kept(taken.as_found),
        as_left=_kept(taken.as_left),
        **facts,
    )
    return Calibrated(payload, line)


def _kept(points: Sequence[CalibrationPoint]) -> tuple[PointTaken, ...]:
    return tuple(
        PointTaken(reference=p.reference, u_reference=p.u_reference, reading=p.reading)
        for p in points
    )


def _class_words(found: Classification) -> str | None:
    return None if found.class_name is None else f"{found.scheme.title} class {found.class_name}"
