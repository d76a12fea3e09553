"""Which HTTP status an error of the station has."""

from station import errors

STATUS: dict[int, tuple[type[errors.StationError], ...]] = {
    # What an address names and the record does not hold; before the wider error.
    404: (errors.NotOnRecord,),
    400: (errors.BadInput, errors.NoLimit),
    409: (errors.CalibrationNeeded, errors.NestOnHold),
    507: (errors.LedgerFull, errors.SampleUnsaved),
    # A damaged one too: the page says what to do, and no answer of ours is a 500.
    503: (errors.LedgerError, errors.DataFileError, errors.InstrumentError),
    401: (errors.SignInNeeded, errors.WrongSecret),
    429: (errors.LockedOut,),
    403: (errors.NotAllowed,),
}
"""Kinds of errors by the status of the page that shows one; others are the station's own fault."""


def status_of(error: errors.StationError) -> int:
    """HTTP status for an error of the station."""
    return next((status for status, kinds in STATUS.items() if isinstance(error, kinds)), 500)
