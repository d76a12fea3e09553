"""Who is signed in: kept here and nowhere else, so that a stolen or old cookie ends with us.

The browser holds a random token and nothing that could be read or changed. All sign-ins end when
the station stops; people sign in again.
"""

import hashlib
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from station.shop.rights import Right

MAX_SIGN_INS = 200
"""More than any bench has people; the one that was idle longest makes room."""


@dataclass
class SignIn:
    """One sign-in."""

    person: str
    began_s: float
    used_s: float
    refused: set[Right] = field(default_factory=set)
    """What was refused already, so that asking again and again does not fill the record."""


class SignIns:
    """All sign-ins of one running station. May be shared by threads.

    Parameters
    ----------
    idle_s, longest_s
        A sign-in ends when nothing was done for so long, and in any case after the longer time.
    ticks
        Seconds from a clock that nobody can set.
    """

    def __init__(
        self, idle_s: float, longest_s: float, ticks: Callable[[], float] = time.monotonic
    ) -> None:
        self._idle_s = idle_s
        self._longest_s = longest_s
        self._ticks = ticks
        self._lock = threading.Lock()
        self._known: dict[str, SignIn] = {}

    def begin(self, person: str) -> str:
        """Begin a sign-in and return its token."""
        token = secrets.token_urlsafe(32)
        now_s = self._ticks()
        with self._lock:
            self._drop_old(now_s)
            while len(self._known) >= MAX_SIGN_INS:
                self._known.pop(min(self._known, key=lambda key: self._known[key].used_s))
            self._known[_key(token)] = SignIn(person, now_s, now_s)
        return token

    def find(self, token: str, *, use: bool) -> SignIn | None:
        """Return a sign-in that has not run out; with ``use``, its idle time starts again."""
        now_s = self._ticks()
        with self._lock:
            self._drop_old(now_s)
            found = self._known.get(_key(token))
            if found is not None and use:
                found.used_s = now_s
            return found

    def end(self, token: str) -> None:
        """End one sign-in."""
        with self._lock:
            self._known.pop(_key(token), None)

    def end_all(self, person: str) -> None:
        """End every sign-in of a person: another role, another secret, or gone."""
        with self._lock:
            self._known = {key: one for key, one in self._known.items() if one.person != person}

    def _drop_old(self, now_s: float) -> None:
        self._known = {
            key: one
            for key, one in self._known.items()
            if now_s - one.used_s <= self._idle_s and now_s - one.began_s <= self._longest_s
        }


def _key(token: str) -> str:
    # Looked up by its hash: how long the look-up takes tells nothing about a token.
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
