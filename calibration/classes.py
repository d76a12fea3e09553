"""Classes of force-measuring systems: which one do the points of a calibration meet?"""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, slots=True)
class ClassLimits:
    """Limits of one class, in per cent of the force; None where the scheme states none.

    Attributes
    ----------
    zero
        In per cent of full scale.
    every_reading
        True where every reading by itself must meet ``indication``, not only their mean.
    """

    name: str
    indication: float
    resolution: float
    repeatability: float | None = None
    reversibility: float | None = None
    zero: float | None = None
    every_reading: bool = False


@dataclass(frozen=True, slots=True)
class Scheme:
    """A standard's classes from best to worst, where they are from, and how well that is known."""

    id: str
    title: str
    standing: str
    source: str
    classes: tuple[ClassLimits, ...]

    def named(self, name: str) -> ClassLimits:
        """One class by its name (ValueError if there is none)."""
        for limits in self.classes:
            if limits.name == name:
                return limits
        known = ", ".join(limits.name for limits in self.classes)
        raise ValueError(f"{self.title} has no class {name!r}: it has {known}")


@dataclass(frozen=True, slots=True)
class ForcePoint:
    """One applied force and what the tester said, in newton.

    Attributes
    ----------
    readings_n
        One per series, with rising force.
    falling_n
        The reading at the same force on the way down; None where it was not taken.
    """

    reference_n: float
    readings_n: tuple[float, ...]
    falling_n: float | None = None


@dataclass(frozen=True, slots=True)
class PointErrors:
    """Errors of one point, in per cent of the force."""

    indication: float
    repeatability: float | None
    reversibility: float | None
    resolution: float
    worst_reading: float


@dataclass(frozen=True, slots=True)
class Classification:
    """What a calibration shows.

    Attributes
    ----------
    class_name
        Best class that every point meets; None where some point meets none.
    """

    scheme: Scheme
    class_name: str | None

    def meets(self, class_name: str) -> bool:
        """Whether the instrument may be called this class, or a better one."""
        order = [limits.name for limits in self.scheme.classes]
        wanted = order.index(self.scheme.named(class_name).name)
        return self.class_name is not None and order.index(self.class_name) <= wanted


@cache
def schemes() -> dict[str, Scheme]:
    """The shipped schemes by identifier, read once."""
    text = (resources.files("calibration") / "classes.toml").read_text(encoding="utf-8")
    return {item["id"]: _scheme(item) for item in tomllib.loads(text)["schemes"]}


def _scheme(item: dict[str, Any]) -> Scheme:
    return Scheme(**{**item, "classes": tuple(ClassLimits(**row) for row in item["classes"])})


def classify(
    points: Sequence[ForcePoint],
    *,
    resolution_n: float,
    scheme: str = "iso-7500-1-2018",
    zero_n: float | None = None,
) -> Classification:
    """Find the best class that all points meet.

    Parameters
    ----------
    points
        Applied forces with one reading per series.
    resolution_n
        One digit of the tester.
    zero_n
        Reading after unloading; it counts as a share of the largest reference.

    Raises
    ------
    ValueError
        No points, a force that is not positive, a point without readings, an unknown scheme.
    """
    known = schemes()
    if scheme not in known:
        raise ValueError(f"there is no scheme {scheme!r}: there are {', '.join(known)}")
    if not points:
        raise ValueError("no points to classify")
    if not resolution_n > 0.0:
        raise ValueError(f"the resolution must be positive: {resolution_n}")
    chosen = known[scheme]
    zero = None
    if zero_n is not None:
        zero = 100.0 * abs(zero_n) / max(point.reference_n for point in points)
    errors = [_errors(point, resolution_n) for point in points]
    met = (
        limits.name
        for limits in chosen.classes
        if all(_meets(error, limits) for error in errors) and _within(zero, limits.zero)
    )
    return Classification(chosen, next(met, None))


def _errors(point: ForcePoint, resolution_n: float) -> PointErrors:
    force_n, readings = point.reference_n, point.readings_n
    if not (force_n > 0.0 and math.isfinite(force_n)):
        raise ValueError(f"a reference force must be positive: {force_n} N")
    if not readings or not all(map(math.isfinite, readings)):
        raise ValueError(f"the point at {force_n:g} N has no reading, or one that is no number")
    mean_n = math.fsum(readings) / len(readings)
    worst_n = max(readings, key=lambda reading: abs(reading - force_n))
    return PointErrors(
        _percent(mean_n - force_n, force_n),
        _percent(max(readings) - min(readings), force_n) if len(readings) > 1 else None,
        None if point.falling_n is None else _percent(point.falling_n - readings[-1], force_n),
        _percent(resolution_n, force_n),
        _percent(worst_n - force_n, force_n),
    )


def _percent(part: float, whole: float) -> float:
    # Rounded: 1 % must not become 1.0000000000000009 % on the way.
    return round(100.0 * part / whole, 10)


def _meets(errors: PointErrors, limits: ClassLimits) -> bool:
    return (
        _within(errors.worst_reading if limits.every_reading else errors.indication,
                limits.indication)
        and _within(errors.repeatability, limits.repeatability)
        and _within(errors.reversibility, limits.reversibility)
        and _within(errors.resolution, limits.resolution)
    )  # fmt: skip


def _within(value: float | None, limit: float | None) -> bool:
    return value is None or limit is None or abs(value) <= limit
