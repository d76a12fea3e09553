"""A form that is sent twice from the same page is carried out once.

A double click, an impatient second tap and a page that the browser kept all send what was sent
already, under the same mark. The first answer is given again; nothing is entered twice.
"""

import hashlib
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from flask import Flask, Response, g, redirect, request
from flask.typing import ResponseReturnValue

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
            if first or not sent.answered.wait(FIRST_WITHIN_S) or sent.location is not None:
                return sent

    def answer(self, key: str, sent: Sent, location: str | None) -> None:
        """Note where a form led; one that came to nothing may be sent again."""
        with self._lock:
            sent.location = location
            if location is None and self._sent.get(key) is sent:
                del self._sent[key]
        sent.answered.set()


def guard(app: Flask) -> None:
    """Carry every form out once; call it after all that turns requests away."""
    forms = SentForms()

    def answer_again() -> ResponseReturnValue | None:
        if not _counts():
            return None
        key = _key()
        sent = forms.take_up_or_wait(key)
        if sent.location is not None:
            return redirect(sent.location, 303)
        g.sent_form = key, sent
        return None

    def remember(response: Response) -> Response:
        if "sent_form" in g:
            location = response.headers.get("Location") if response.status_code == 303 else None
            key, sent = g.pop("sent_form")
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
