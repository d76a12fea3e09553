"""What a browser remembers of its reader: the language."""

from flask import Blueprint, redirect, request
from werkzeug.wrappers import Response

from station.errors import BadInput
from web.languages import COOKIE, languages
from web.views.doors import own_address

A_YEAR_S = 365 * 24 * 3600

pages = Blueprint("choices", __name__)


@pages.post("/language")
def language() -> Response:
    """Remember the language in this browser, and go back to the page."""
    code = request.form.get("language", "")
    if code not in languages():
        raise BadInput(f"There is no language {code[:20]!r}: choose one at the foot of the page.")
    answer = redirect(own_address(request.form.get("next", "")), 303)
    answer.set_cookie(
        COOKIE, code, max_age=A_YEAR_S, httponly=True, samesite="Strict", secure=request.is_secure
    )
    return answer
