"""What is known of an instrument: its calibration, its checks, and the state they leave it in.

Everything here is pure: the moment at which the state is asked for is handed in.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Literal

import numpy as np

from calibration.fits import LineFit, fit_line
from calibration.saying import say
from calibration.uncertainty import Contribution

InstrumentKind = Literal["meter", "tester"]
INSTRUMENT_WORDS: dict[InstrumentKind, str] = {
    "meter": say("milliohm meter"),
    "tester": say("pull tester"),
}
"""What people call them."""

CheckKind = Literal["zero", "resistor", "weight", "wire"]

CHECK_WORDS: dict[CheckKind, str] = {
    "zero": say("zero"),
    "resistor": say("check resistor"),
    "weight": say("check weight"),
    "wire": say("check wire"),
}
"""What people call the checks."""

UNITS: dict[InstrumentKind, tuple[str, float]] = {"meter": ("mΩ", 1e-3), "tester": ("N", 1.0)}
"""The unit that people read an instrument's values in, and its size in SI."""

DUE_SOON_DAYS = 30


class CalibrationState(StrEnum):
    """What an instrument's numbers are worth, from best to worst."""

    VALID = "valid"
    DUE_SOON = "due soon"
    OVERDUE = "overdue"
    MISSING = "missing"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """A reference value, its standard uncertainty, and what the instrument said; SI units."""

    reference: float
    u_reference: float
    reading: float


@dataclass(frozen=True, slots=True)
class CalibrationLine:
    """The straight line of a calibration, and how far it can be trusted.

    Attributes
    ----------
    fit
        Readings over references.
    points
        Those it was fitted to, by rising reference.
    drift_fraction
        Bound of the instrument's drift until it is due, as a fraction of the reading.
    """

    fit: LineFit
    points: tuple[CalibrationPoint, ...]
    drift_fraction: float = 0.0

    @classmethod
    def through(
        cls, points: Iterable[CalibrationPoint], drift_fraction: float = 0.0
    ) -> "CalibrationLine":
        """Fit a line.

        Raises
        ------
        ValueError
            Fewer than three points, equal references, or a line that does not rise.
        """
        ordered = tuple(sorted(points, key=lambda point: point.reference))
        fit = fit_line([p.reference for p in ordered], [p.reading for p in ordered])
        if not fit.slope > 0.0:
            raise ValueError(say("the readings do not rise with the reference: check the columns"))
        return cls(fit, ordered, drift_fraction)

    def covers(self, reading: float) -> bool:
        """Whether a reading lies between the lowest and the highest reference."""
        low, high = self.points[0].reference, self.points[-1].reference
        value = (reading - self.fit.intercept) / self.fit.slope
        # A billionth beyond an end is rounding, not another place.
        slack = 1e-9 * (high - low)
        return low - slack <= value <= high + slack

    def correct(self, reading: float) -> tuple[float, list[Contribution]]:
        """The value behind a reading, and what makes it uncertain.

        The line is inverted. Its own uncertainty and the scatter of the points about it come from
        one estimate and make one contribution, with its degrees of freedom (JCGM 100:2008, H.3.4,
        for a new point: prediction and scatter in quadrature).
        """
        value = (reading - self.fit.intercept) / self.fit.slope
        _, u_line = self.fit.predict(value)
        spread = math.hypot(u_line, self.fit.residual_sd) / self.fit.slope
        u_reference = float(
            np.interp(
                value,
                [point.reference for point in self.points],
                [point.u_reference for point in self.points],
            )
        )
        return value, [
            Contribution(say("calibration line"), spread, float(self.fit.dof)),
            Contribution(say("reference standard"), u_reference),
            Contribution(say("drift since calibration"), self.drift_fraction * abs(value) / 3**0.5),
        ]


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One calibration of one instrument.

    Attributes
    ----------
    id, seq
        Its entry in the record.
    as_found, as_left
        Points before and after adjustment; ``as_left`` is empty where nothing was adjusted.
    accepted
        False where it did not meet what was asked of it.
    """

    id: str
    seq: int
    certificate: str
    reference: str
    person: str
    calibrated_on: date
    due_on: date
    as_found: tuple[CalibrationPoint, ...] = ()
    as_left: tuple[CalibrationPoint, ...] = ()
    drift_fraction: float = 0.0
    accepted: bool = True

    @property
    def points(self) -> tuple[CalibrationPoint, ...]:
        """The points that describe the instrument since: as left, else as found."""
        return self.as_left or self.as_found

    @property
    def line(self) -> CalibrationLine:
        """The line through :attr:`points` (ValueError if they make none)."""
        return CalibrationLine.through(self.points, self.drift_fraction)


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One look at a known standard; SI units."""

    seq: int
    at: datetime
    kind: CheckKind
    standard: str
    expected: float
    limit: float
    value: float
    passed: bool
    reason: str | None = None

    @property
    def name(self) -> str:
        """The check in words: ``check resistor R-1``."""
        if not self.standard:
            return CHECK_WORDS[self.kind]
        return say("{check} {standard}", check=CHECK_WORDS[self.kind], standard=self.standard)

    @property
    def series(self) -> tuple[str, str]:
        """What makes checks comparable: their kind and standard."""
        return self.kind, self.standard


@dataclass(frozen=True, slots=True)
class Standing:
    """State of an instrument, and one plain sentence on why and what to do."""

    state: CalibrationState
    sentence: str
    due_on: date | None = None


def standing(
    record: CalibrationRecord | None,
    checks: Sequence[CheckResult],
    now: datetime,
    *,
    check_every: timedelta | None = None,
    due_soon: timedelta = timedelta(days=DUE_SOON_DAYS),
) -> Standing:
    """State of an instrument at a moment.

    A failed check counts until the same check passes or the instrument is calibrated anew. An
    instrument is calibrated to the end of its due date.

    Parameters
    ----------
    record
        Its latest calibration, if any.
    checks
        All its checks, oldest first.
    now
        With a time zone; its date decides.
    check_every
        How often it must be checked; None where nothing is demanded.
    """
    due_on = None if record is None else record.due_on
    if failed := failed_check(record, checks):
        sentence = say(
            "The {name} failed on {at:%Y-%m-%d}{why}. Find the cause, then repeat the check or "
            "calibrate.",
            name=failed.name,
            at=failed.at,
            why=say("") if failed.reason is None else say(": {reason}", reason=failed.reason),
        )
        return Standing(CalibrationState.FAILED, sentence, due_on)
    if record is None:
        sentence = say("There is no calibration on record: calibrate it, or enter its certificate.")
        return Standing(CalibrationState.MISSING, sentence)
    if not record.accepted:
        sentence = say(
            "The calibration of {calibrated_on} ({certificate}) did not meet what was "
            "asked of it: adjust or repair it, and calibrate it again.",
            calibrated_on=record.calibrated_on,
            certificate=record.certificate,
        )
        return Standing(CalibrationState.FAILED, sentence, due_on)
    if late := _overdue(record, checks, now, check_every):
        return Standing(CalibrationState.OVERDUE, late, due_on)
    if now.date() > record.due_on - due_soon:
        sentence = say("Calibration falls due on {due_on}: plan it.", due_on=record.due_on)
        return Standing(CalibrationState.DUE_SOON, sentence, due_on)
    return Standing(
        CalibrationState.VALID, say("Calibrated until {due_on}.", due_on=record.due_on), due_on
    )


def _overdue(
    record: CalibrationRecord,
    checks: Sequence[CheckResult],
    now: datetime,
    check_every: timedelta | None,
) -> str | None:
    if now.date() > record.due_on:
        return say("Calibration was due on {due_on}: calibrate it.", due_on=record.due_on)
    if check_every is None:
        return None
    newest = max((check.at for check in checks if check.passed), default=None)
    if newest is not None and now - newest <= check_every:
        return None
    last = say("never") if newest is None else say("last on {newest:%Y-%m-%d %H:%M}", newest=newest)
    return say("A check is overdue ({last}): check it against a known standard.", last=say(last))


def failed_check(
    record: CalibrationRecord | None, checks: Sequence[CheckResult]
) -> CheckResult | None:
    """The latest check that failed and was not made good since, if any."""
    latest = {check.series: check for check in checks}
    failed = [
        check
        for check in latest.values()
        if not check.passed and not _calibrated_after(record, check)
    ]
    return max(failed, key=lambda check: check.seq, default=None)


def _calibrated_after(record: CalibrationRecord | None, check: CheckResult) -> bool:
    # Both: an old certificate that is entered late does not make a failed check good.
    return (
        record is not None
        and record.seq > check.seq
        and record.calibrated_on >= check.at.date()
    )  # fmt: skip


def last_good_check(checks: Sequence[CheckResult], failed: CheckResult) -> CheckResult | None:
    """The last check of the same series that passed before a failed one.

    Another check does not count: a good zero says nothing of the scale.
    """
    good = [
        check
        for check in checks
        if check.passed and check.series == failed.series and check.seq < failed.seq
    ]
    return max(good, key=lambda check: check.seq, default=None)
