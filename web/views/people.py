"""Signing in and out, the first lead, one's own secret, and what leads change about people."""

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.exceptions import HTTPException
from werkzeug.routing import RequestRedirect
from werkzeug.wrappers import Response

from calibration.saying import say
from station.errors import BadInput, LockedOut, NotAllowed, StationError, WrongSecret
from station.ledger.rows import PersonRow
from station.shop.rights import MAX_NAME, MAX_PASSPHRASE, Right
from station.shop.secrets import SecretFile
from station.shop.sign_in import leads_with_secret
from web import access, preferences
from web.format import ROLE_WORDS
from web.forms import entry_number, field
from web.once import refuse_for_good
from web.request import bench, lead_to, on_record, reader
from web.status import status_of

AUDIT_ROWS = 100
MAX_REASON = 200
MAX_NEXT = 500

SECRET_WORDS = {"pin": say("PIN"), "passphrase": say("passphrase")}
NO_SECRET = say("nothing yet")

pages = Blueprint("people", __name__)


@pages.get("/people")
def people() -> str:
    """Everyone on record, with the number of samples that each has finished."""
    made = {name: sum(of.values()) for name, of in reader().verdict_counts().items()}
    secrets = SecretFile(bench().ledger.path).kinds()
    given = request.args.get("given", "")
    return render_template(
        "people.html",
        people=[(row, made.get(row.name, 0)) for row in reader().people(former=True)],
        secrets={name: SECRET_WORDS[kind] for name, kind in secrets.items()},
        no_secret=NO_SECRET,
        given=given if given in secrets else None,
        words=ROLE_WORDS,
    )


@pages.get("/sign-in")
def sign_in_page() -> str:
    """Name and secret, or the way to the first lead."""
    return _form_page("sign_in.html")


@pages.post("/sign-in")
def sign_in() -> Response | tuple[str, int]:
    """Sign in, under a new token."""
    try:
        name = field(request.form, "name", say("your name"))
        person = access.doors().sign_in(name, _secret("secret", say("the PIN or passphrase")))
    except (BadInput, WrongSecret, LockedOut) as error:
        return _refused(error, _form_page("sign_in.html", str(error)))
    access.begin_sign_in(person)
    answer = redirect(own_address(request.form.get("next", "")), 303)
    preferences.remember(answer, preferences.on_record(reader(), person.name))
    return answer


@pages.post("/sign-out")
def sign_out() -> Response:
    """Sign out; who signs in next goes on where this one was."""
    person = access.signed_in()
    if person is not None:
        access.doors().note("signed_out", person.name, person.name)
    access.end_sign_in()
    going_on = request.form.get("next", "")[:MAX_NEXT] or None
    return lead_to("people.sign_in_page", next=going_on)


@pages.get("/sign-in/first")
def first_page() -> str:
    """Where the one-time code is entered."""
    return _form_page("first_lead.html")


@pages.post("/sign-in/first")
def first() -> Response | tuple[str, int]:
    """Make the first lead by the one-time code, and sign the lead in."""
    try:
        name = field(request.form, "name", say("the name"))
        code = field(request.form, "code", say("the one-time code"))
        person = access.doors().first_lead(code, name, _new_secret())
    except (BadInput, NotAllowed) as error:
        return _refused(error, _form_page("first_lead.html", str(error)))
    access.begin_sign_in(person)
    return lead_to("people.people")


@pages.get("/sign-in/secret")
def own_secret_page() -> str:
    """Where one's own secret is changed."""
    return render_template("secret.html", person=access.demand_sign_in(), problem="")


@pages.post("/sign-in/secret")
def own_secret() -> Response | tuple[str, int]:
    """Change one's own secret; every sign-in under the old one ends."""
    person = access.demand_sign_in()
    try:
        fresh = _new_secret()
        doors = access.doors()
        old = _secret("secret", say("the present PIN or passphrase"))
        doors.sign_in(person.name, old, reason="change the own secret")
        doors.set_secret(person, person.name, fresh)
    except (BadInput, WrongSecret, LockedOut) as error:
        page = render_template("secret.html", person=person, problem=str(error))
        return _refused(error, page)
    access.sign_ins().end_all(person.name)
    access.begin_sign_in(person)
    return lead_to("people.people")


@pages.post("/people/add")
def add() -> Response:
    """Put somebody on record."""
    lead = access.demand(Right.MANAGE_PEOPLE)
    access.doors().add(
        lead, field(request.form, "name", say("the name")), request.form.get("role", "")
    )
    return lead_to("people.people")


@pages.post("/people/role")
def change_role() -> Response:
    """Give somebody another role; their sign-ins end."""
    lead, name = _lead_and_name()
    access.doors().change_role(lead, name, request.form.get("role", ""), _reason())
    access.sign_ins().end_all(name)
    return lead_to("people.people")


@pages.post("/people/leave")
def leave() -> Response:
    """Note that somebody has left; their sign-ins end."""
    lead, name = _lead_and_name()
    access.doors().leave(lead, name, _reason())
    access.sign_ins().end_all(name)
    return lead_to("people.people")


@pages.post("/people/secret")
def give_secret() -> Response:
    """Give somebody a new secret; their sign-ins end."""
    lead, name = _lead_and_name()
    access.doors().set_secret(lead, name, _new_secret())
    access.sign_ins().end_all(name)
    if name == lead.name:
        access.begin_sign_in(lead)
    return lead_to("people.people", given=name)


@pages.get("/people/audit")
def audit() -> str:
    """Sign-ins, failures, refusals and changes of people, newest first."""
    access.demand(Right.MANAGE_PEOPLE)
    before = request.args.get("before", type=entry_number)
    rows = reader().audit(limit=AUDIT_ROWS + 1, before_seq=before)
    more = len(rows) > AUDIT_ROWS
    rows = rows[:AUDIT_ROWS]
    in_doubt = reader().times_in_doubt(row.seq for row in rows)
    older = rows[-1].seq if more else None
    return render_template("audit.html", rows=rows, in_doubt=in_doubt, next_before=older)


def own_address(path: str) -> str:
    """An address of this page to go on to; Today for whatever is none."""
    home = url_for("today.today")
    if not path.startswith("/") or any(letter in path for letter in "\\\r\n\t\0"):
        return home
    try:
        endpoint, values = current_app.url_map.bind("").match(path.partition("?")[0], method="GET")
    except (HTTPException, RequestRedirect, ValueError):
        return home
    # Written anew from what was understood: nothing of the given text is sent back as it came.
    return url_for(endpoint, **values)


def _form_page(template: str, problem: str = "") -> str:
    return render_template(
        template,
        problem=problem,
        # Who is on record; strangers on the network are not told.
        people=on_record() if access.at_the_bench() else [],
        name=request.form.get("name", "")[:MAX_NAME],
        next=request.values.get("next", "")[:MAX_NEXT],
        first_lead_wanted=not leads_with_secret(reader(), SecretFile(bench().ledger.path)),
        longest=MAX_PASSPHRASE,
    )


def _lead_and_name() -> tuple[PersonRow, str]:
    """The lead who changes something, and of whom."""
    return access.demand(Right.MANAGE_PEOPLE), field(request.form, "name", say("the name"))


def _refused(error: StationError, page: str) -> tuple[str, int]:
    """Answer a refusal; a wrong secret that a double click sends twice counts once."""
    if isinstance(error, WrongSecret):
        refuse_for_good()
    return page, status_of(error)


def _secret(name: str, words: str) -> str:
    """Read a secret as it was typed; no message and no page repeats it."""
    secret = request.form.get(name, "")
    if not secret:
        raise BadInput("Fill in {words}: it was left empty.", words=say(words))
    if len(secret) > MAX_PASSPHRASE:
        raise BadInput(
            "Shorten {words}: {max_passphrase} characters will fit.",
            words=say(words),
            max_passphrase=MAX_PASSPHRASE,
        )
    return secret


def _new_secret() -> str:
    fresh = _secret("new_secret", say("the new PIN or passphrase"))
    if fresh != request.form.get("again", ""):
        raise BadInput("The new PIN or passphrase was not typed alike twice: type it again.")
    return fresh


def _reason() -> str:
    reason = " ".join(request.form.get("reason", "").split())
    if len(reason) > MAX_REASON:
        raise BadInput(
            "Shorten the reason: {max_reason} characters will fit.", max_reason=MAX_REASON
        )
    return reason
