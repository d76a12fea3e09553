"""Everything the station raises on purpose.

Each error also is the builtin it resembles, so callers may catch either. A message says what
happened, to which instrument, sample or file, and what to do next; the command line prints it as
it is and exits with 2, and the page says it in the language of who reads it.
"""

from calibration.saying import say


class StationError(Exception):
    """Root of every error that the station raises on purpose.

    Parameters
    ----------
    form, values
        What is said, as :func:`calibration.saying.say` takes it.
    """

    def __init__(self, form: str | None = "", /, **values: object) -> None:
        super().__init__(say(form or "", **values))


class BadInput(StationError, ValueError):
    """A value given by a person or a file cannot be used: text for a number, a negative span."""


class NotOnRecord(BadInput):
    """Something that is named by its id or code is not on record: a job, a coded sample."""


class UnknownSize(BadInput):
    """A wire size could not be read, or is not in the range of its system: ``-3 AWG``."""


class NoLimit(StationError, LookupError):
    """A limit set or the limit for a size is absent: 17 AWG in a table of even gauges."""


class DataFileError(StationError, ValueError):
    """A data file (limit set, profile, plan, settings) is missing, malformed or contradictory."""


class NestOnHold(StationError, RuntimeError):
    """A nest is held and cannot be used: a sample failed, it has worn, a lead has to look."""


class CalibrationNeeded(StationError, RuntimeError):
    """The settings do not let this instrument judge now: overdue, never calibrated, a bad check."""


class InstrumentError(StationError):
    """Root of all that goes wrong between the station and an instrument."""


class PortMissing(InstrumentError, FileNotFoundError):
    """The port does not exist: adapter not plugged in, wrong name."""


class PortForbidden(InstrumentError, PermissionError):
    """The port exists but this user may not open it: not in the group ``dialout``."""


class PortBusy(InstrumentError, BlockingIOError):
    """Another program, or another part of the station, holds the port."""


class PortLost(InstrumentError, ConnectionError):
    """The port was open and is gone: cable pulled, instrument switched off, simulator stopped."""


class InstrumentSilent(InstrumentError, TimeoutError):
    """The port is open but no complete answer came in time: wrong baud, wrong mode, asleep."""


class InstrumentGarbled(InstrumentError, ValueError):
    """Bytes arrived that the profile cannot read: wrong dialect, wrong parity, noise."""


class InstrumentRefused(InstrumentError, ValueError):
    """The instrument reported an error of its own, or did not take a setting it was sent."""


class NoReading(InstrumentError, ValueError):
    """The instrument answered, and the answer is no value: open lead, over range, leads crossed."""


class WrongInstrument(InstrumentError, ValueError):
    """The instrument that answered is not the one that was asked for."""


class PanelError(InstrumentError, OSError):
    """The panel's pins cannot be used: a pin is taken, mock pins outside a simulation, closed."""


class PanelMissing(PanelError):
    """This computer has no GPIO pins that the station can use: a laptop, lgpio not installed."""


class LedgerError(StationError):
    """Root of all that goes wrong with the record."""


class LedgerBusy(LedgerError, BlockingIOError):
    """The ledger is locked by another program for longer than the station waits."""


class LedgerInUse(LedgerError, BlockingIOError):
    """A station, a backup being restored or an import has this ledger: one at a time."""


class LedgerReadOnly(LedgerError, PermissionError):
    """The ledger, its folder or its card cannot be written."""


class LedgerFull(LedgerError, OSError):
    """The disk is full: the entry was not written and must be kept until there is room."""


class SampleUnsaved(LedgerError, OSError):
    """A finished sample is in memory only: the disk is full, the ledger is locked."""


class LedgerGone(LedgerError, FileNotFoundError):
    """The ledger's file was moved, removed or replaced while it was open: nothing was written."""


class LedgerDamaged(LedgerError, ValueError):
    """The ledger is not one of ours, or an entry or trace no longer matches its hash."""


class NotAllowed(StationError, PermissionError):
    """A person's role does not have the right for this, or nobody may do it for themselves."""


class SignInNeeded(NotAllowed):
    """Nobody is signed in, or the sign-in has run out, and this needs a name."""


class WrongSecret(NotAllowed):
    """Name, PIN, passphrase or one-time code do not belong together."""


class LockedOut(NotAllowed):
    """Too many wrong tries: whoever it is has to wait before the next one."""


class AddressTaken(StationError, OSError):
    """The address for the page is in use by another program."""


class SharedAway(StationError, ConnectionError):
    """The shared record cannot be reached now; the bench goes on and what is behind goes later."""


class SharedRefused(StationError, PermissionError):
    """The shared record does not take this bench's entries: another history, or no right to."""
