"""Who may see and do what on the page.

A bench that only its own machine can reach stays open for looking and measuring. As soon as others
can reach it, by its address or through a proxy, every page but the sign-in wants a name.
"""

from collections.abc import Callable

from flask import Flask, abort, current_app, g, request, session
from werkzeug.sansio.utils import host_is_trusted

from calibration.saying import say
from station.errors import BadInput, NotAllowed, SignInNeeded, StationError
from station.ledger.rows import PersonRow
from station.settings import ANY_ADDRESS, Settings, is_loopback
from station.shop.rights import Right
from station.shop.rights import demand as demand_right
from station.shop.rights import may as role_may
from station.shop.sign_in import Doors
from web.forms import field
from web.request import bench, ledger, on_record, reader, station
from web.sign_ins import SignIn, SignIns

TOKEN = "door"  # noqa: S105
"""Where the browser's cookie keeps the token of a sign-in."""

SITTING_S = 4 * 3600.0
"""So long after a sample its person is taken to be still there (our own choice)."""

LOCAL_HOSTS = ("localhost", "127.0.0.1")

ALWAYS_OPEN = frozenset({"static", "people.sign_in_page", "people.sign_in", "people.first_page",
                         "people.first", "preferences.choose"})  # fmt: skip
"""What everybody reaches, signed in or not."""

UNTOUCHED = frozenset({"static", "bench.state", "bench.follow"})
"""What the page asks for by itself: it does not keep a sign-in alive."""


def guard(app: Flask, settings: Settings, sign_ins: SignIns | None = None) -> None:
    """Put the doors before an application; call it before anything else looks at requests."""
    doors = settings.doors
    app.extensions["sign_ins"] = sign_ins or SignIns(
        doors.idle_minutes * 60.0, doors.longest_hours * 3600.0
    )
    app.config["SESSION_COOKIE_SECURE"] = doors.behind_proxy
    app.before_request(_check_host)


def signed_in() -> PersonRow | None:
    """Who is signed in, with the role that holds now; None for nobody."""
    if "signed_in" not in g:
        found = _sign_in()
        row = None if found is None else reader().person(found.person)
        g.signed_in = row if row is not None and row.active else None
    person: PersonRow | None = g.signed_in
    return person


def signed_in_quietly() -> PersonRow | None:
    """Who is signed in, for every page's frame: None where even that cannot be read."""
    try:
        return signed_in()
    except StationError:
        return None


def demand(right: Right, *, about: str | None = None) -> PersonRow:
    """Return who is signed in, if they have a right.

    Parameters
    ----------
    about
        Whose standing it is, where nobody may do it for themselves.

    Raises
    ------
    SignInNeeded
        Nobody is signed in, or the sign-in has run out.
    NotAllowed
        Their role does not have the right, or it is about their own standing; the refusal is in
        the audit.
    """
    person, sign_in = demand_sign_in(), _sign_in()
    refused = set[Right]() if sign_in is None else sign_in.refused
    try:
        demand_right(person, right, about=about)
    except NotAllowed:
        if right not in refused:
            doors().note("refused", person.name, person.name, right)
            refused.add(right)
        raise
    return person


def demand_sign_in() -> PersonRow:
    """Return who is signed in (SignInNeeded for nobody)."""
    person = signed_in()
    if person is None:
        raise SignInNeeded(
            say("Your sign-in has run out: sign in again, then repeat the step.")
            if TOKEN in session
            else say("Sign in first: this needs a name.")
        )
    return person


def demand_measuring(name: str) -> str:
    """Check who is said to make a sample, and return the name.

    Raises
    ------
    BadInput
        People are on record, and the name is not among them.
    NotAllowed
        The page is open to other machines, and the name is not that of who is signed in.
    """
    known = reader().person(name)
    if known is None or not known.active:
        if reader().people():
            raise BadInput(
                "{name} is not on record: choose a person, or ask a lead to add one.", name=name
            )
    else:
        demand_right(known, Right.MEASURE)
    if not is_open() and demand_sign_in().name != name:
        raise NotAllowed("You are signed in under another name: measure under your own.")
    session["sitting"] = [name, station().clock().timestamp() + SITTING_S]
    return name


def demand_person() -> str:
    """Check who the form says is there (BadInput, NotAllowed); return the name."""
    return demand_measuring(field(request.form, "person", say("the person")))


def person_here() -> str:
    """Who is signed in, or measured last from this browser in this sitting; empty for nobody."""
    if (person := signed_in()) is not None:
        return person.name
    name, until_s = session.get("sitting", ("", 0.0))
    known = on_record()
    return name if station().clock().timestamp() < until_s and name in (known or [name]) else ""


def may(right: Right) -> bool:
    """Whether who is signed in has a right, for templates."""
    person = signed_in()
    return person is not None and role_may(person.role, right)


def inside() -> bool:
    """Whether the request may see more than the sign-in, for every page's frame."""
    return is_open() or signed_in_quietly() is not None


def is_open() -> bool:
    """Whether looking and measuring need no name: only this machine reaches the page."""
    return bench().settings.open_to_this_machine_only


def still_inside() -> Callable[[], bool]:
    """A question that can be asked after the request: may its browser still see the page?"""
    if is_open():
        return lambda: True
    book, token = sign_ins(), str(session.get(TOKEN, ""))
    return lambda: book.find(token, use=False) is not None


def doors() -> Doors:
    """The doors as the current request came to them."""
    local = at_the_bench()
    return Doors(
        ledger(),
        "bench" if local else "network",
        None if local else request.remote_addr,
        station().clock,
    )


def at_the_bench() -> bool:
    """Whether the request comes from this machine, so from the bench's own screen."""
    return is_loopback(request.remote_addr or "")


def begin_sign_in(person: PersonRow) -> None:
    """Sign a person in: with a new token and new protection against forged requests."""
    end_sign_in()
    session[TOKEN] = g.begun_sign_in = sign_ins().begin(person.name)
    g.pop("signed_in", None)


def go_on_with_sign_in(token: str) -> bool:
    """Lead the browser into a sign-in that it began; False where that has ended."""
    if sign_ins().find(token, use=True) is None:
        return False
    if session.get(TOKEN) != token:
        session.clear()
        session[TOKEN] = token
        g.pop("signed_in", None)
    return True


def end_sign_in() -> None:
    """Sign out, whoever it is."""
    if token := session.get(TOKEN):
        sign_ins().end(str(token))
    session.clear()
    g.pop("signed_in", None)


def sign_ins() -> SignIns:
    """All sign-ins."""
    book: SignIns = current_app.extensions["sign_ins"]
    return book


def _sign_in() -> SignIn | None:
    token = session.get(TOKEN)
    if not isinstance(token, str):
        return None
    return sign_ins().find(token, use=request.endpoint not in UNTOUCHED)


def _check_host() -> None:
    """Refuse requests for another name: a page elsewhere may make its own name lead here."""
    settings = bench().settings
    own = [] if settings.host == ANY_ADDRESS else [settings.host]
    trusted = [*LOCAL_HOSTS, *own, *settings.doors.hosts]
    if not host_is_trusted(request.environ.get("HTTP_HOST"), trusted):
        abort(
            400,
            say(
                "This page is not served under that name: use the station's own address, "
                "or add the name to the setting doors.hosts."
            ),
        )


def check_open() -> None:
    """Ask for a name where the page is not open (SignInNeeded)."""
    if not (request.endpoint in ALWAYS_OPEN or request.endpoint is None or is_open()):
        demand_sign_in()
