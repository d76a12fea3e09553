"""A form that is sent twice from the same page is carried out once.

A double click, an impatient second tap and a page that the browser kept all send what was sent
already, under the same mark. The first answer is given again; nothing is entered twice, and a wrong
secret counts once.

Where the first answer signed somebody in, the second leads into that same sign-in, as long as it
lasts: a browser drops the first answer, cookie and all, when its user clicks again. Who sends the
same form knows the mark of its page and the secret in it.
"""

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import wraps
from typing import Any

from flask import Flask, Response, current_app, g, make_response, redirect, request, session
from flask.typing import ResponseReturnValue

from web import access

REMEMBERED = 256
"""So many sent forms are remembered, over all browsers (our own choice)."""

FIRST_WITHIN_S = 30.0
"""So long the second waits for the answer to the first (our own choice)."""

MARK = "once"
"""The field of a form that holds the mark of its page."""

MARK_BYTES = 12

_REMEMBERING = threading.Lock()


@dataclass
class Sent:
    """A form that was sent; its lock is held while it is carried out."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    answer: str | tuple[str, int] | None = None
    """Where its answer led, or the page and status of a refusal that is not to be tried twice."""
    sign_in: str | None = None
    """The token of the sign-in that the answer began."""


class SentForms(dict[str, Sent]):
    """The forms that were sent lately, oldest first. Safe between threads."""

    def __missing__(self, key: str) -> Sent:
        """Nothing is known of a form at its first sending."""
        with _REMEMBERING:
            sent = self.setdefault(key, Sent())
            while len(self) > REMEMBERED:
                del self[next(iter(self))]
            return sent


def guard(app: Flask) -> None:
    """Carry every form out once; call it when all pages are registered."""
    app.extensions["sent_forms"] = SentForms()
    app.jinja_env.globals["page_mark"] = mark
    app.view_functions = {name: _once(view) for name, view in app.view_functions.items()}


def _once(view: Callable[..., Any]) -> Callable[..., ResponseReturnValue]:
    @wraps(view)
    def carry_out(**values: object) -> ResponseReturnValue:
        if not _counts():
            return make_response(view(**values))
        sent = _forms()[_key()]
        held = sent.lock.acquire(timeout=FIRST_WITHIN_S)
        try:
            answer = _again(sent)
            return _remember(sent, make_response(view(**values))) if answer is None else answer
        finally:
            if held:
                sent.lock.release()

    return carry_out


def _remember(sent: Sent, response: Response) -> Response:
    sent.sign_in = g.get("begun_sign_in")
    if response.status_code == 303:
        sent.answer = response.headers["Location"]
    elif "refused_for_good" in g:
        sent.answer = response.get_data(as_text=True), response.status_code
    return response


def _forms() -> SentForms:
    forms: SentForms = current_app.extensions["sent_forms"]
    return forms


def refuse_for_good() -> None:
    """Give the same refusal to the same form, as for a secret that is wrong whoever asks again."""
    g.refused_for_good = True


def answered_before(*, own: bool) -> ResponseReturnValue | None:
    """The answer to a form that was carried out already, for where its second is turned away.

    Signing in and out and a new secret end what a page was allowed to send, and so turn their own
    second click away.

    Parameters
    ----------
    own
        Whether the form is known to come from a page of this browser. A forged one leads nobody
        into a sign-in.
    """
    sent = _forms().get(_key()) if _counts() else None
    if sent is None or (sent.sign_in and not own and session.get(access.TOKEN) != sent.sign_in):
        return None
    return _again(sent)


def _again(sent: Sent) -> ResponseReturnValue | None:
    """Give an answer again; None where there is none, or it signed somebody in who is out."""
    if sent.sign_in and not access.go_on_with_sign_in(sent.sign_in):
        sent.answer = sent.sign_in = None
    return redirect(sent.answer, 303) if isinstance(sent.answer, str) else sent.answer


def mark() -> str:
    """The mark of the page that is being made, for the forms on it."""
    return str(g.setdefault(MARK, secrets.token_urlsafe(MARK_BYTES)))


def _counts() -> bool:
    return request.method == "POST" and bool(request.form.get(MARK))


def _key() -> str:
    """Name what was sent: from the same page, to the same address, with the same fields."""
    fields = [item for item in request.form.items(multi=True) if item[0] != "csrf_token"]
    sent = (request.full_path, sorted(fields))
    return hashlib.sha256(repr(sent).encode(errors="surrogatepass")).hexdigest()
