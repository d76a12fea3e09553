"""Who may do what at the bench, and how fast a wrong PIN may be tried again. Pure.

Measuring is open to everyone on record. What changes the worth of the record, its limits or
somebody's standing is a lead's, and nobody signs for themselves.
"""

import itertools
import unicodedata
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType

from calibration.saying import say
from station.errors import BadInput, NotAllowed
from station.ledger.rows import PersonRow
from station.text import likeness, unseen

MAX_NAME = 60
"""Longest name of a person, in characters."""

NOBODY = "(nobody)"
"""Stands in an entry for somebody who did not say who they are; no name on record."""

MIN_PIN = 6
MAX_PIN = 12
MIN_PASSPHRASE = 10
MAX_PASSPHRASE = 200

FREE_TRIES = 3
"""Wrong secrets in a row before the first wait."""

FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(hours=1)
"""At most 24 tries a day: a PIN of six digits, drawn at random, then withstands a year of guessing
with a chance of 99 in 100."""


class Role(StrEnum):
    """What a person is in the shop."""

    APPRENTICE = "apprentice"
    INSTALLER = "installer"
    LEAD = "lead"


class Right(StrEnum):
    """What a person may be allowed to do; the value reads on after "may"."""

    MEASURE = "measure samples and check instruments"
    SIGN_OFF = "judge and sign off checklists"
    CORRECT = "correct the record"
    CALIBRATE = "enter a calibration"
    RELEASE = "release what was held"
    CERTIFY = "sign a certification"
    MANAGE_PEOPLE = "change people and their roles"


_ARTICLES: dict[str, str] = {
    Role.APPRENTICE: say("an apprentice"),
    Role.INSTALLER: say("an installer"),
    Role.LEAD: say("a lead"),
}

RIGHTS: Mapping[Role, frozenset[Right]] = MappingProxyType(
    {
        Role.APPRENTICE: frozenset({Right.MEASURE}),
        Role.INSTALLER: frozenset({Right.MEASURE}),
        Role.LEAD: frozenset(Right),
    }
)
"""The rights of every role."""


def role_of(word: str) -> Role:
    """Read a role (BadInput for any other word)."""
    try:
        return Role(word)
    except ValueError:
        raise BadInput(
            "{word!r} is no role: use one of {role}.", word=word, role=", ".join(Role)
        ) from None


def may(role: str, right: Right) -> bool:
    """Whether a role has a right; a word that is no role has none."""
    return any(right in rights for known, rights in RIGHTS.items() if known == role)


def demand(person: PersonRow, right: Right, *, about: str | None = None) -> None:
    """Let a person with a right pass.

    Parameters
    ----------
    about
        Whose standing it is, where nobody may do it for themselves.

    Raises
    ------
    NotAllowed
        The person's role does not have the right, the person has left, or ``about`` is their own
        name, or looks like it.
    """
    if not person.active:
        raise NotAllowed(
            "{name} has left and may no longer {right}: ask a lead.",
            name=person.name,
            right=say(right),
        )
    if not may(person.role, right):
        raise NotAllowed(
            "{name} is {role} and may not {right}: a lead must do that.",
            name=person.name,
            role=say(_ARTICLES.get(person.role, person.role)),
            right=say(right),
        )
    if about is not None and likeness(person.name) == likeness(about):
        raise NotAllowed(
            "{name} may not {right} for themselves: another lead must do it.",
            name=person.name,
            right=say(right),
        )


def clean_name(text: str) -> str:
    """Return a name as it goes on record: one line, composed characters, single spaces.

    Raises
    ------
    BadInput
        It is empty, too long, or has characters that are not seen or change the order of others.
    """
    name = " ".join(unicodedata.normalize("NFC", text).split())
    if not name:
        raise BadInput("Say the person's name: it was left empty.")
    if len(name) > MAX_NAME:
        raise BadInput(
            "Shorten the name: it has {count} characters, {max_name} will fit.",
            count=len(name),
            max_name=MAX_NAME,
        )
    if name.startswith(NOBODY):
        raise BadInput("{nobody} stands for nobody: use the person's own name.", nobody=NOBODY)
    if any(map(unseen, name)):
        raise BadInput("The name has characters that cannot be seen: type it anew.")
    if not any(letter.isalpha() for letter in name):
        raise BadInput("The name has no letter: type it as people read it.")
    return name


def is_pin(secret: str) -> bool:
    """Whether a secret is a PIN: nothing but digits."""
    return secret.isascii() and secret.isdigit()


def check_secret(secret: str, name: str) -> None:
    """Refuse a secret that is too short or too easily guessed.

    Length is what counts, so no mix of characters is asked for. A PIN is good at the bench's own
    screen only.

    Raises
    ------
    BadInput
        What is wrong with it. The message never repeats it.
    """
    if is_pin(secret) and len(secret) <= MAX_PIN:
        if len(secret) < MIN_PIN:
            raise BadInput(
                "A PIN has {min_pin} to {max_pin} digits: choose a longer one.",
                min_pin=MIN_PIN,
                max_pin=MAX_PIN,
            )
        steps = {int(b) - int(a) for a, b in itertools.pairwise(secret)}
        if steps in ({0}, {1}, {-1}) or len(set(secret)) < 3:
            raise BadInput("That PIN is among the first to be guessed: choose another.")
        return
    if not MIN_PASSPHRASE <= len(secret) <= MAX_PASSPHRASE:
        raise BadInput(
            "A passphrase has {min_passphrase} to {max_passphrase} characters, a PIN "
            "{min_pin} to {max_pin} digits: choose another.",
            min_passphrase=MIN_PASSPHRASE,
            max_passphrase=MAX_PASSPHRASE,
            min_pin=MIN_PIN,
            max_pin=MAX_PIN,
        )
    bare = secret.casefold().replace(name.casefold(), "")
    if len(set(bare)) < 5:
        raise BadInput("That passphrase is too easily guessed: use several words.")


def wait_after(failures: int) -> timedelta:
    """How long to wait after so many wrong secrets in a row: none at first, then doubling."""
    over = failures - FREE_TRIES
    if over < 0:
        return timedelta()
    # Beyond 2^20 every wait is the longest; a larger power would overflow.
    return min(FIRST_WAIT * (1 << min(over, 20)), LONGEST_WAIT)


def wait_left(failed_at: Sequence[datetime], now: datetime) -> timedelta:
    """How long somebody is still locked out.

    Parameters
    ----------
    failed_at
        When each wrong secret since the last right one was given, in any order.
    now
        The present moment. A clock that was set back never locks out for longer than the wait
        itself.
    """
    if not failed_at:
        return timedelta()
    wait = wait_after(len(failed_at))
    left = max(failed_at) + wait - now
    return min(max(left, timedelta()), wait)
