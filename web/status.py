"""Which HTTP status an error of the station has."""

from station.errors import (
    BadInput,
    CalibrationNeeded,
    DataFileError,
    InstrumentError,
    LedgerError,
    LedgerFull,
    LockedOut,
    NestOnHold,
    NoLimit,
    NotAllowed,
    NotOnRecord,
    SampleUnsaved,
    SignInNeeded,
    StationError,
    WrongSecret,
)

STATUS: tuple[tuple[type[StationError], int], ...] = (
    # What an address names and the record does not hold; before the wider error.
    (NotOnRecord, 404),
    (BadInput, 400),
    (NoLimit, 400),
    (CalibrationNeeded, 409),
    (NestOnHold, 409),
    (LedgerFull, 507),
    (SampleUnsaved, 507),
    # A damaged one too: the page says what to do, and no answer of ours is a 500.
    (LedgerError, 503),
    (DataFileError, 503),
    (InstrumentError, 503),
    (SignInNeeded, 401),
    (WrongSecret, 401),
    (LockedOut, 429),
    (NotAllowed, 403),
)
"""Status of a page that shows an error; others are the station's own fault."""


def status_of(error: StationError) -> int:
    """HTTP status for an error of the station."""
    return next((status for kind, status in STATUS if isinstance(error, kind)), 500)
