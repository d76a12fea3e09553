"""The application: pages, errors in one sentence, and headers that keep the page to itself."""

import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask, Response, render_template
from flask_wtf.csrf import CSRFError, CSRFProtect
from werkzeug.exceptions import HTTPException

from station.errors import (
    BadInput,
    CalibrationNeeded,
    InstrumentError,
    LedgerBusy,
    LedgerFull,
    LockedOut,
    NoLimit,
    NotAllowed,
    SignInNeeded,
    StationError,
    WrongSecret,
)
from station.pull import FAILURE_MODES
from station.trend_book import TrendBook
from web import context, shown
from web.face import BenchFace
from web.views import BLUEPRINTS

MAX_REQUEST_BYTES = 64 * 1024

CONTENT_POLICY = "; ".join(
    (
        "default-src 'self'",
        "img-src 'self' data:",
        "object-src 'none'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
        "form-action 'self'",
    )
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
}

STATUS: tuple[tuple[type[StationError], int], ...] = (
    (BadInput, 400),
    (NoLimit, 400),
    (CalibrationNeeded, 409),
    (LedgerBusy, 503),
    (LedgerFull, 507),
    (InstrumentError, 503),
    (SignInNeeded, 401),
    (WrongSecret, 401),
    (LockedOut, 429),
    (NotAllowed, 403),
)
"""Status of a page that shows an error; others are the station's own fault."""

FILTERS = (
    shown.milliohm,
    shown.newton,
    shown.quantity,
    shown.uncertainty,
    shown.score,
    shown.percent,
    shown.reason,
    shown.local_time,
    shown.wires,
    shown.standing,
)


def local_now() -> datetime:
    """Return the present moment in local time."""
    return datetime.now(UTC).astimezone()


def create_app(
    bench: BenchFace,
    ledger_path: Path,
    *,
    testing: bool = False,
    clock: Callable[[], datetime] = local_now,
) -> Flask:
    """Make the page of one bench.

    Parameters
    ----------
    bench
        What the page shows and starts samples on.
    ledger_path
        The ledger that the bench writes; the page opens it for reading only.
    testing
        Lets unforeseen errors through to the test. Nothing else changes.
    clock
        Tells which day is today; with a time zone.
    """
    app = Flask(__name__)
    app.config.update(
        # Made anew at each start: a page from before is told to load again.
        SECRET_KEY=secrets.token_bytes(32),
        TESTING=testing,
        MAX_CONTENT_LENGTH=MAX_REQUEST_BYTES,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_HTTPONLY=True,
        # The bench page stays open all day.
        WTF_CSRF_TIME_LIMIT=None,
    )
    CSRFProtect(app)
    trends = TrendBook(ledger_path, bench.settings.wear_watch_run_length)
    context.attach(app, context.Station(bench, ledger_path, clock, trends))
    for blueprint in BLUEPRINTS:
        app.register_blueprint(blueprint)
    _teach_templates(app)
    app.register_error_handler(StationError, _station_error)
    app.register_error_handler(CSRFError, _stale_page)
    app.register_error_handler(HTTPException, _http_error)
    app.after_request(_add_headers)
    return app


def status_of(error: StationError) -> int:
    """HTTP status for an error of the station."""
    return next((status for kind, status in STATUS if isinstance(error, kind)), 500)


def _teach_templates(app: Flask) -> None:
    for write in FILTERS:
        app.jinja_env.filters[write.__name__] = write
    app.jinja_env.globals.update(
        notices=context.notices,
        calibration_alarms=context.calibration_alarms,
        place=shown.place,
        NOTHING=shown.NOTHING,
        VERDICT_WORDS=shown.VERDICT_WORDS,
        JOB_WORDS=shown.JOB_WORDS,
        CRITERION_WORDS=shown.CRITERION_WORDS,
        FAILURE_MODES=FAILURE_MODES,
    )
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True


def _station_error(error: StationError) -> tuple[str, int]:
    return _error_page(str(error), status_of(error))


def _stale_page(_error: CSRFError) -> tuple[str, int]:
    sentence = (
        "Nothing was changed: the page was loaded before the station last started, or the browser "
        "keeps no cookies. Load the page again and repeat the step."
    )
    return _error_page(sentence, 400)


def _http_error(error: HTTPException) -> tuple[str, int] | HTTPException:
    if error.code is None or error.code < 400:
        return error
    return _error_page(error.description or error.name, error.code)


def _error_page(sentence: str, status: int) -> tuple[str, int]:
    return render_template("error.html", sentence=sentence, status=status), status


def _add_headers(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers[name] = value
    return response
