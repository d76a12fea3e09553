"""The application: pages, errors in one sentence, and headers that keep the page to itself."""

import gzip
import secrets
from collections.abc import Callable
from datetime import UTC, datetime

from flask import Flask, Response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError, CSRFProtect
from werkzeug.exceptions import HTTPException

from calibration.saying import say
from station.bench.bench import Bench
from station.crimp.pull.reduce import FAILURE_MODES
from station.crimp.units import NOTHING, milliohm
from station.crimp.verdict import VERDICT_WORDS, condemned_words
from station.crimp.wire import MATERIALS
from station.errors import SignInNeeded, StationError
from station.jobs.step import OUTCOME_WORDS
from station.shop.rights import Right
from station.shop.trend_cache import TrendCache
from web import access, once, preferences, translation
from web import format as written
from web import request as at_hand
from web.glossary import help_of, words
from web.nests import STATE_WORDS
from web.sign_ins import SignIns
from web.status import status_of
from web.views import BLUEPRINTS
from web.views.bench import in_hand
from web.views.samples import let_photos_in

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
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=(), serial=()",
}

PACKED = ("text/html", "text/css", "text/javascript", "application/json", "image/svg+xml")
"""What is sent packed to browsers that take it so."""

PLAIN_WORDS = {
    404: say("There is no such page: look for it from Today."),
    405: say("This address takes no such request: open the page itself and go on from there."),
    413: say("That is more than the page takes at once: send less."),
}
NOT_TAKEN = say("The station could not take this request: load the page again and repeat the step.")
"""What is said where only a number is known."""

FILTERS = (
    milliohm,
    written.newton,
    written.quantity,
    written.allowed,
    written.uncertainty,
    written.score,
    written.percent,
    written.reason,
    written.sentence_case,
    written.check_heading,
    written.local_time,
    written.wires,
    written.wire_named,
    written.bearing,
    written.pulled,
    written.standing,
    written.badge,
    condemned_words,
    translation.said,
    translation.said_or_typed,
)


def local_now() -> datetime:
    """Return the present moment in local time."""
    return datetime.now(UTC).astimezone()


def create_app(
    bench: Bench,
    *,
    testing: bool = False,
    clock: Callable[[], datetime] = local_now,
    sign_ins: SignIns | None = None,
) -> Flask:
    """Make the page of one bench.

    Parameters
    ----------
    bench
        What the page shows and starts samples on; its ledger is the page's too.
    testing
        Lets unforeseen errors through to the test. Nothing else changes.
    clock
        Tells which day is today; with a time zone.
    sign_ins
        Who is signed in; made from the bench's settings where None.
    """
    app = Flask(__name__)
    app.config.update(
        # Made anew at each start: a page from before is told to load again, and people sign in
        # again. To keep it would mean to keep one more secret on the card.
        SECRET_KEY=secrets.token_bytes(32),
        TESTING=testing,
        MAX_CONTENT_LENGTH=MAX_REQUEST_BYTES,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_HTTPONLY=True,
        # The bench page stays open all day.
        WTF_CSRF_TIME_LIMIT=None,
    )
    trends = TrendCache(bench.ledger.path, bench.settings.wear_watch_run_length)
    app.extensions["station"] = at_hand.Station(bench, clock, trends)
    access.guard(app, bench.settings, sign_ins)
    app.before_request(let_photos_in)
    CSRFProtect(app)
    # After forged requests were turned away.
    app.before_request(access.check_open)
    for blueprint in BLUEPRINTS:
        app.register_blueprint(blueprint)
    once.guard(app)
    _teach_templates(app)
    app.register_error_handler(StationError, _station_error)
    app.register_error_handler(CSRFError, _stale_page)
    app.register_error_handler(HTTPException, _http_error)
    app.after_request(_add_headers)
    return app


def _teach_templates(app: Flask) -> None:
    translation.teach(app)
    preferences.teach(app)
    for write in FILTERS:
        app.jinja_env.filters[write.__name__] = write
    app.jinja_env.globals.update(
        notices=at_hand.notices,
        unsaved=at_hand.unsaved,
        on_record=at_hand.on_record,
        calibration_alarms=at_hand.calibration_alarms,
        signed_in=access.signed_in_quietly,
        inside=access.inside,
        may=access.may,
        here=access.person_here,
        under_way=in_hand,
        page_help=help_of,
        dictionary=words,
        Right=Right,
        place=written.place,
        NOTHING=NOTHING,
        VERDICT_WORDS=VERDICT_WORDS,
        STATE_WORDS=STATE_WORDS,
        JOB_WORDS=written.JOB_WORDS,
        OUTCOME_WORDS=OUTCOME_WORDS,
        CRITERION_WORDS=written.CRITERION_WORDS,
        SHARE_WORDS=written.SHARE_WORDS,
        FAILURE_MODES=FAILURE_MODES,
        MATERIALS=list(MATERIALS),
    )
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True


def _station_error(error: StationError) -> ResponseReturnValue:
    of_a_page = request.method == "GET" and request.endpoint not in access.UNTOUCHED
    if isinstance(error, SignInNeeded):
        if of_a_page:
            return redirect(url_for("people.sign_in_page", next=request.path), 303)
        if (answer := once.answered_before(own=True)) is not None:
            return answer
    return _error_page(str(error), status_of(error))


def _stale_page(_error: CSRFError) -> ResponseReturnValue:
    if (answer := once.answered_before(own=False)) is not None:
        return answer
    sentence = say(
        "Nothing was changed: the page was loaded before the station last started, or "
        "the browser keeps no cookies. Load the page again and repeat the step."
    )
    if at_hand.clock_trouble():
        # Cookies from a time to come count as forged.
        sentence = say(
            "Nothing was changed: this computer's clock was set back, and what the page was shown "
            "before that counts no longer. Set the clock, load the page again and repeat the step."
        )
    return _error_page(sentence, 400)


def _http_error(error: HTTPException) -> tuple[str, int] | HTTPException:
    if error.code is None or error.code < 400:
        return error
    if error.description == type(error).description:
        # Nobody here said why: the library's own words are for programmers.
        return _error_page(PLAIN_WORDS.get(error.code, NOT_TAKEN), error.code)
    return _error_page(error.description or NOT_TAKEN, error.code)


def _error_page(sentence: str, status: int) -> tuple[str, int]:
    return render_template("error.html", sentence=sentence, status=status), status


def _add_headers(response: Response) -> Response:
    response.headers.update(HEADERS)
    if request.endpoint == "samples.sample_page" and at_hand.bench().settings.photos.keep_megabytes:
        policy = HEADERS["Permissions-Policy"].replace("camera=()", "camera=(self)")
        response.headers["Permissions-Policy"] = policy
    if request.endpoint != "static":
        # A page of somebody who signed out must not come back out of the browser's cache.
        response.headers.setdefault("Cache-Control", "no-store")
    return _compressed(response)


def _compressed(response: Response) -> Response:
    """Send less over the air: a Pi packs a page in a millisecond."""
    response.vary.add("Accept-Encoding")
    of_a_file = response.direct_passthrough
    small = response.mimetype not in PACKED or (response.is_streamed and not of_a_file)
    if small or response.status_code != 200 or not request.accept_encodings["gzip"]:
        return response
    response.direct_passthrough = False
    if etag := response.get_etag()[0]:
        response.set_etag(etag, weak=True)
    response.set_data(gzip.compress(response.get_data(), 6))
    response.headers["Content-Encoding"] = "gzip"
    return response
