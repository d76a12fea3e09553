"""May an instrument judge now? Its calibration and checks on record, and what the settings say."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from calibration.check_chart import off_limit
from calibration.saying import join, say
from calibration.standing import (
    UNITS,
    CalibrationLine,
    CalibrationPoint,
    CalibrationRecord,
    CalibrationState,
    CheckResult,
    InstrumentKind,
    Standing,
    standing,
)
from station.errors import CalibrationNeeded
from station.ledger.clock import now
from station.ledger.entries import (
    InstrumentCalibrated,
    InstrumentChecked,
    InstrumentUsed,
    PointTaken,
)
from station.ledger.entry import Entry
from station.ledger.reader import LedgerReader
from station.settings import Settings

HEADINGS: dict[InstrumentKind, str] = {"meter": say("Milliohm meter"), "tester": say("Pull tester")}

_IN_FORCE = (CalibrationState.VALID, CalibrationState.DUE_SOON)
_ALARMING = (CalibrationState.FAILED, CalibrationState.OVERDUE)


@dataclass(frozen=True, slots=True)
class InstrumentTrust:
    """What an instrument's numbers are worth at a moment.

    Attributes
    ----------
    record
        Its latest calibration, valid or not; None where there is none.
    checks
        All its checks, oldest first.
    blocked
        True where the settings forbid judging with it in this state.
    """

    role: InstrumentKind
    instrument: str
    standing: Standing
    record: CalibrationRecord | None
    checks: tuple[CheckResult, ...]
    blocked: bool

    @property
    def state(self) -> CalibrationState:
        """State of its calibration and checks."""
        return self.standing.state

    @property
    def warns(self) -> bool:
        """True where every page and lamp must say that something is wrong."""
        return self.state not in _IN_FORCE

    @property
    def alarms(self) -> bool:
        """True where it was in order once and is no longer: overdue, or failed a check."""
        return self.state in _ALARMING

    @property
    def sentence(self) -> str:
        """What is the matter, with the instrument named, and what follows for samples."""
        name = say("{role}", role=HEADINGS[self.role])
        if self.instrument:
            name = say("{role} ({name})", role=name, name=self.instrument)
        said = [say("{instrument}: {standing}", instrument=name, standing=self.standing.sentence)]
        if self.blocked:
            said.append(say("Until then no sample is judged with it."))
        elif self.warns:
            said.append(say("Samples are judged and marked."))
        return join(said)

    @property
    def line(self) -> CalibrationLine | None:
        """Line that corrects its readings; None unless a calibration is in force."""
        if self.record is None or self.state not in _IN_FORCE:
            return None
        try:
            return self.record.line
        except ValueError:
            return None

    def noted(self, used: InstrumentUsed, *, corrected: bool) -> InstrumentUsed:
        """What the record says of the instrument that made a number."""
        return used.model_copy(
            update={
                "calibration_id": None if self.record is None else self.record.id,
                "calibration_state": self.state.value,
                "reading_corrected": corrected,
            }
        )


@dataclass
class Trust:
    """Looks instruments up in the ledger.

    Parameters
    ----------
    clock
        The time of day, with a time zone; due dates are those of that zone.
    """

    reader: LedgerReader
    settings: Settings
    clock: Callable[[], datetime] = lambda: now().at_utc.astimezone()

    def of(self, role: InstrumentKind, instrument: str) -> InstrumentTrust:
        """What an instrument, by the name the record has for it, is worth now."""
        record = latest_calibration(self.reader, instrument)
        checks = tuple(map(check_from, self.reader.checks(instrument)))
        hours = self.settings.check_every_h
        found = standing(
            record,
            checks,
            self.clock(),
            check_every=None if hours is None else timedelta(hours=hours),
        )
        return InstrumentTrust(role, instrument, found, record, checks, self._blocks(found.state))

    def demand(self, role: InstrumentKind, instrument: str) -> InstrumentTrust:
        """As `of`, for a judgement.

        Raises
        ------
        CalibrationNeeded
            The settings forbid judging with it in this state.
        """
        trust = self.of(role, instrument)
        if trust.blocked:
            raise CalibrationNeeded(trust.sentence)
        return trust

    def all(self, *, with_samples: bool = True) -> list[InstrumentTrust]:
        """Every instrument on record; without samples, those ever calibrated or checked."""
        return [
            self.of("tester" if role == "tester" else "meter", instrument)
            for instrument, role in self.reader.instruments(with_samples=with_samples).items()
        ]

    def _blocks(self, state: CalibrationState) -> bool:
        if state in _IN_FORCE:
            return False
        failed = state is CalibrationState.FAILED
        policy = self.settings.check_failed if failed else self.settings.uncalibrated
        return policy == "block"


def attention(trusts: Iterable[InstrumentTrust]) -> str | None:
    """What a lamp or a notice says of the instruments: the worst first; None if all is in order.

    A missing calibration is not among them: a bench that was never calibrated is told so on its
    page and in its records, and its lamps are left for what has changed.
    """
    alarming = sorted(
        (trust for trust in trusts if trust.alarms), key=lambda trust: _ALARMING.index(trust.state)
    )
    return join(trust.sentence for trust in alarming) or None


def latest_calibration(reader: LedgerReader, instrument: str) -> CalibrationRecord | None:
    """The calibration made last, and among those of one day the one entered last."""
    found = [record_from(entry) for entry in reader.calibrations(instrument)]
    return max(found, key=lambda record: (record.calibrated_on, record.seq), default=None)


def record_from(entry: Entry) -> CalibrationRecord:
    """A calibration as it stands in the ledger."""
    payload = entry.payload
    if not isinstance(payload, InstrumentCalibrated):
        raise TypeError(f"entry {entry.seq} is no calibration")
    return CalibrationRecord(
        entry.id,
        entry.seq,
        payload.certificate,
        payload.reference,
        payload.calibrated_by,
        payload.calibrated_on,
        payload.due_on,
        _points(payload.as_found),
        _points(payload.as_left),
        payload.drift_fraction,
        payload.accepted,
    )


def check_from(entry: Entry) -> CheckResult:
    """A check as it stands in the ledger."""
    payload = entry.payload
    if not isinstance(payload, InstrumentChecked):
        raise TypeError(f"entry {entry.seq} is no check")
    return CheckResult(
        entry.seq,
        entry.at_utc.astimezone(),
        payload.check,
        payload.standard,
        payload.expected,
        payload.limit,
        payload.value,
        payload.passed,
        _said_again(payload),
    )


def _said_again(check: InstrumentChecked) -> str | None:
    """The reason on record; as the station says it where it can be said again from the values."""
    off = off_limit(check.value, check.expected, check.limit, *UNITS[check.role])
    return off if off == check.reason else check.reason


def _points(taken: tuple[PointTaken, ...]) -> tuple[CalibrationPoint, ...]:
    return tuple(CalibrationPoint(p.reference, p.u_reference, p.reading) for p in taken)
