"""More: what is seldom needed, and what a browser remembers of its reader: language and units."""

from flask import Blueprint, redirect, render_template, request
from werkzeug.wrappers import Response

from station.ledger.entries import PersonPrefers
from web import access
from web.preferences import checked, remember
from web.request import ledger
from web.views.people import own_address

pages = Blueprint("preferences", __name__)


@pages.get("/more")
def more() -> str:
    """What is seldom needed, and the reader's switches."""
    return render_template("more.html")


@pages.post("/choices")
def choose() -> Response:
    """Remember choices, and go back to the page."""
    made = checked(request.form)
    person = access.signed_in()
    if person is not None:
        prefers = PersonPrefers(name=person.name, choices=made)
        ledger().append(prefers, person=person.name)
    answer = redirect(own_address(request.form.get("next", "")), 303)
    remember(answer, made)
    return answer
