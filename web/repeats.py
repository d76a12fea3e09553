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
from collections import OrderedDict
from dataclasses import dataclass, field

from flask import Flask, Response, current_app, g, redirect, request
from flask.typing import ResponseReturnValue

from web import access

REMEMBERED = 256
"""So many sent forms are remembered, over all browsers (our own choice)."""

FIRST_WITHIN_S = 30.0
"""So long the second waits for the answer to the first (our own choice)."""

MARK = "once"
"""The field of a form that holds the mark of its page."""

MARK_BYTES = 12


@dataclass
class Sent:
    """A form that was sent: where its answer led, once there is one."""

    answered: threading.Event = field(default_factory=threading.Event)
    location: str | None = None
    """Where the answer led; None while it is worked on, and where nothing came of it."""
    sign_in: str | None = None
    """The token of the sign-in that the answer began."""
    refused: tuple[str, int] | None = None
    """The page and status of a refusal that is not to be tried twice."""

    @property
    def known(self) -> bool:
        """Whether there is an answer that can be given again."""
        return self.location is not None or self.refused is not None


class SentForms:
    """The forms that were sent lately. Safe between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._sent: OrderedDict[str, Sent] = OrderedDict()

    def take_up(self, key: str) -> tuple[Sent, bool]:
        """Return what is known of a form, and whether this is its first sending."""
        with self._lock:
            known = self._sent.get(key)
            if known is not None:
                return known, False
            fresh = self._sent[key] = Sent()
            while len(self._sent) > REMEMBERED:
                self._sent.popitem(last=False)
            return fresh, True

    def take_up_or_wait(self, key: str) -> Sent:
        """Return a form that led somewhere already, or that is now this caller's to carry out."""
        while True:
            sent, first = self.take_up(key)
            if first or not sent.answered.wait(FIRST_WITHIN_S) or sent.known:
                return sent

    def find(self, key: str) -> Sent | None:
        """Return a form that has its answer, without waiting for one."""
        with self._lock:
            sent = self._sent.get(key)
            return sent if sent is not None and sent.known else None

    def answer(self, key: str, sent: Sent, location: str | None) -> None:
        """Note where a form led; one that came to nothing may be sent again."""
        with self._lock:
            sent.location = location
            if not sent.known:
                self._drop(key, sent)
        sent.answered.set()

    def forget(self, key: str, sent: Sent) -> None:
        """Forget a form whose answer holds no longer."""
        with self._lock:
            self._drop(key, sent)

    def _drop(self, key: str, sent: Sent) -> None:
        if self._sent.get(key) is sent:
            del self._sent[key]


def guard(app: Flask) -> None:
    """Carry every form out once; call it after all that turns requests away."""
    forms = app.extensions["sent_forms"] = SentForms()

    def answer_again() -> ResponseReturnValue | None:
        if not _counts():
            return None
        key = _key()
        while (sent := forms.take_up_or_wait(key)).known:
            answer = _again(sent)
            if answer is not None:
                return answer
            forms.forget(key, sent)
        g.sent_form = key, sent
        return None

    def remember(response: Response) -> Response:
        if "sent_form" in g:
            key, sent = g.pop("sent_form")
            location = response.headers.get("Location") if response.status_code == 303 else None
            sent.sign_in = access.begun_session()
            if "refused_for_good" in g:
                sent.refused = response.get_data(as_text=True), response.status_code
            forms.answer(key, sent, location)
        return response

    def give_up(_error: BaseException | None) -> None:
        if "sent_form" in g:
            key, sent = g.pop("sent_form")
            forms.answer(key, sent, None)

    app.jinja_env.globals["page_mark"] = mark
    app.before_request(answer_again)
    app.after_request(remember)
    app.teardown_request(give_up)


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
    if not _counts():
        return None
    forms: SentForms = current_app.extensions["sent_forms"]
    sent = forms.find(_key())
    if sent is None or not (own or sent.sign_in is None or access.is_in_session(sent.sign_in)):
        return None
    return _again(sent)


def _again(sent: Sent) -> ResponseReturnValue | None:
    """Give an answer again; None where it signed somebody in and that has ended."""
    if sent.refused is not None:
        return sent.refused
    if sent.location is None or (sent.sign_in and not access.go_on_with_session(sent.sign_in)):
        return None
    return redirect(sent.location, 303)


def mark() -> str:
    """The mark of the page that is being made, for the forms on it."""
    if MARK not in g:
        setattr(g, MARK, secrets.token_urlsafe(MARK_BYTES))
    return str(getattr(g, MARK))


def _counts() -> bool:
    return request.method == "POST" and bool(request.form.get(MARK))


def _key() -> str:
    """Name what was sent: from the same page, to the same address, with the same fields."""
    fields = [item for item in request.form.items(multi=True) if item[0] != "csrf_token"]
    sent = (request.full_path, sorted(fields))
    return hashlib.sha256(repr(sent).encode(errors="surrogatepass")).hexdigest()
