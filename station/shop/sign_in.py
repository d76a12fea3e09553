"""Signing in, and changing who may: every step of it goes into the ledger's audit.

A wrong secret is on record before anybody hears that it was wrong, and the wait after it follows
from the record alone, so that a restart does not shorten it.
"""

import threading
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Literal

from calibration.saying import say
from station.errors import BadInput, LockedOut, NotAllowed, WrongSecret
from station.ledger.entries import DoorEvent, DoorWord, PersonAdded, PersonLeft, RoleChanged
from station.ledger.reader import LedgerReader
from station.ledger.rows import PersonRow
from station.ledger.store import Ledger
from station.shop.rights import (
    NOBODY,
    Right,
    Role,
    check_secret,
    clean_name,
    demand,
    is_pin,
    role_of,
    wait_left,
)
from station.shop.secrets import SecretFile
from station.text import likeness

Way = Literal["bench", "network", "command"]

CODE = "(one-time code)"
"""Whose door it is when somebody enters the one-time code."""

PATIENCE_S = 5.0
"""How long one sign-in waits for another: secrets are compared one at a time, so that guessing in
parallel gains nothing and takes no memory."""

ANEW = ("secret_set", "code_shown")
"""After these, what was tried before counts no longer: it was another secret."""

ENOUGH = 100
"""Failures beyond these add nothing to a wait that is the longest already."""

WRONG = say(
    "The name and the PIN or passphrase do not belong together: try again. Who has "
    "none yet is given one by a lead, under People on the page or by 'station people "
    "passphrase'."
)
"""The same for everybody: whether the name is on record, or has a secret, is not told."""

_comparing = threading.Lock()

ADDRESS_WAIT = timedelta(minutes=10)
ADDRESS_TRIES = 30
"""So many wrong tries of an address on the network within that time: more names would only fill
the record (our own choice)."""
MOST_ADDRESSES = 10_000
_wrong_from: defaultdict[tuple[str, str | None], deque[datetime]] = defaultdict(
    lambda: deque(maxlen=ADDRESS_TRIES)
)


def utc_now() -> datetime:
    """The present moment."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Doors:
    """Signing in to one ledger, for whoever comes one way.

    Parameters
    ----------
    ledger
        Open for writing.
    way, address
        How the person came, for the audit. Wrong tries over the network never lock the bench's own
        screen, nor the other way round.
    """

    ledger: Ledger
    way: Way
    address: str | None = None
    clock: Callable[[], datetime] = utc_now

    @property
    def secrets(self) -> SecretFile:
        """The secrets of the ledger's people."""
        return SecretFile(self.ledger.path)

    def sign_in(self, name: str, secret: str, *, reason: str = "") -> PersonRow:
        """Let somebody in by name and secret.

        Parameters
        ----------
        reason
            What it is for, in the audit; empty for a session.

        Raises
        ------
        WrongSecret
            They do not belong together; the failure is on record.
        LockedOut
            There were too many wrong tries. Nothing was compared.
        LedgerError, DataFileError
            The record cannot be written or the secrets not read: then nobody is let in.
        """
        if self.way == "network" and is_pin(secret):
            raise WrongSecret("A PIN is good at the bench's own screen only: use a passphrase.")
        row = self.ledger.reader.person(name)
        known = row if row is not None and row.active else None
        tried = known.name if known else _stranger(name)
        with self._one_try(tried):
            if not self.secrets.matches(name, secret) or known is None:
                self._failed(tried)
                raise WrongSecret(WRONG)
            self.note("signed_in", known.name, known.name, reason)
        return known

    def demand(self, person: PersonRow, right: Right, *, about: str | None = None) -> None:
        """Let a person with a right pass; a refusal goes into the audit.

        Raises
        ------
        NotAllowed
            The role does not have the right, or ``about`` is the person's own name.
        """
        try:
            demand(person, right, about=about)
        except NotAllowed:
            self.note("refused", person.name, person.name, right)
            raise

    def note(self, event: DoorWord, about: str, person: str, detail: str = "") -> None:
        """Write one line of the audit."""
        entry = DoorEvent(
            demo=self._demo, event=event, about=about, way=self.way, address=self.address,
            detail=detail,
        )  # fmt: skip
        self.ledger.append(entry, person=person)

    # ---- who may sign in -----------------------------------------------------------------------

    def show_code(self) -> str | None:
        """Make a one-time code for the console; None once a lead can sign in."""
        if leads_with_secret(self.ledger.reader, self.secrets):
            return None
        self.note("code_shown", CODE, NOBODY)
        return self.secrets.new_code(self.clock())

    def first_lead(self, code: str, name: str, secret: str) -> PersonRow:
        """Make the first lead, who may have been on record with another role before.

        Raises
        ------
        WrongSecret, LockedOut
            The code is wrong or too old, or was wrong too often.
        NotAllowed
            There is a lead who can sign in: the code is worth nothing.
        BadInput
            The name or the secret cannot be used; the code still can.
        """
        name = clean_name(name)
        row = self._former(name)
        check_secret(secret, name)
        with self._one_try(CODE):
            if leads_with_secret(self.ledger.reader, self.secrets):
                raise NotAllowed("There is a lead who can sign in: ask one to add people.")
            if not self.secrets.code_matches(code, self.clock()):
                self._failed(CODE)
                raise WrongSecret(
                    "That is not the one-time code, or it is too old: the station shows a new one "
                    "when it starts, and so does 'station people code'."
                )
            self.secrets.spend_code()
        if row is None or not row.active or row.role != Role.LEAD:
            self._set_role(row, name, Role.LEAD, person=name, reason="first lead, by one-time code")
        self._keep(name, secret, person=name)
        return self._on_record(name)

    def set_secret(self, actor: PersonRow, name: str, secret: str) -> None:
        """Give a person a new PIN or passphrase: one's own, or as a lead another's.

        Raises
        ------
        NotAllowed
            The actor is neither the person nor a lead.
        BadInput
            There is no such person, or the secret is too easily guessed.
        """
        if actor.name != name:
            self.demand(actor, Right.MANAGE_PEOPLE)
        row = self._on_record(name)
        check_secret(secret, row.name)
        self._keep(row.name, secret, person=actor.name)

    # ---- who is on record ----------------------------------------------------------------------

    def add(self, actor: PersonRow, name: str, role: str) -> PersonRow:
        """Put somebody on record, or back on record (NotAllowed, BadInput)."""
        self.demand(actor, Right.MANAGE_PEOPLE)
        name = clean_name(name)
        if (row := self._former(name)) is not None and row.active:
            raise _taken(row)
        self._set_role(None, name, role_of(role), person=actor.name)
        return self._on_record(name)

    def change_role(self, actor: PersonRow, name: str, role: str, reason: str = "") -> PersonRow:
        """Give somebody another role (NotAllowed; BadInput for the last lead who can sign in)."""
        self.demand(actor, Right.MANAGE_PEOPLE)
        row, wanted = self._on_record(name), role_of(role)
        if wanted == row.role:
            raise BadInput(
                "{name} is {wanted} already: nothing was changed.", name=name, wanted=say(wanted)
            )
        self._keep_a_lead(row)
        self._set_role(row, name, wanted, person=actor.name, reason=reason)
        return self._on_record(name)

    def leave(self, actor: PersonRow, name: str, reason: str = "") -> None:
        """Note that somebody has left; their secret is forgotten, their samples stay theirs."""
        self.demand(actor, Right.MANAGE_PEOPLE)
        row = self._on_record(name)
        self._keep_a_lead(row)
        entry = PersonLeft(demo=self._demo, name=row.name, reason=reason)
        self.ledger.append(entry, person=actor.name)
        self.secrets.forget(row.name)

    # ---- inside --------------------------------------------------------------------------------

    @property
    def _demo(self) -> bool:
        return self.ledger.reader.is_demo()

    def _former(self, name: str) -> PersonRow | None:
        """Who has or had this name; BadInput where another's looks the same."""
        if (own := self.ledger.reader.person(name)) is not None:
            return own
        for row in self.ledger.reader.people(former=True):
            if likeness(row.name) == likeness(name):
                raise _taken(row)
        return None

    def _on_record(self, name: str) -> PersonRow:
        return active_person(self.ledger.reader, name)

    def _set_role(
        self, row: PersonRow | None, name: str, role: Role, *, person: str, reason: str = ""
    ) -> None:
        entry: PersonAdded | RoleChanged
        if row is None or not row.active:
            content = {"demo": self._demo, "name": name, "role": role.value}
            entry = PersonAdded.model_validate(content)
        else:
            content = {"name": name, "was": row.role, "role": role.value, "reason": reason}
            entry = RoleChanged.model_validate(content | {"demo": self._demo})
        self.ledger.append(entry, person=person)

    def _keep(self, name: str, secret: str, *, person: str) -> None:
        """Note first, keep then: a secret that nobody noted must not exist."""
        self.note("secret_set", name, person, "PIN" if is_pin(secret) else "passphrase")
        self.secrets.keep(name, secret)

    def _keep_a_lead(self, row: PersonRow) -> None:
        leads = leads_with_secret(self.ledger.reader, self.secrets)
        if leads and {lead.name for lead in leads} <= {row.name}:
            raise BadInput(
                "{name} is the only lead who can sign in: make another lead with a "
                "passphrase first.",
                name=row.name,
            )

    @contextmanager
    def _one_try(self, about: str) -> Iterator[None]:
        if not _comparing.acquire(timeout=PATIENCE_S):
            raise LockedOut("Too many sign-ins at once: wait a moment, then try again.")
        try:
            left = max(wait_left(self._failures(about), self.clock()), self._wait_of_address())
            if left:
                raise LockedOut(
                    "Too many wrong tries: wait {max} seconds, then try again.",
                    max=max(1, round(left.total_seconds())),
                )
            yield
        finally:
            _comparing.release()

    def _failures(self, about: str) -> list[datetime]:
        """When each wrong try since the last right one was made, over the same way."""
        found: list[datetime] = []
        before: int | None = None
        while len(found) < ENOUGH and (rows := self.ledger.reader.audit(about, before_seq=before)):
            for row in rows:
                same_way = (row.way == "network") is (self.way == "network")
                if row.event in ANEW or (row.event == "signed_in" and same_way):
                    return found
                if row.event == "sign_in_failed" and same_way:
                    found.append(row.at_utc)
            before = rows[-1].seq
        return found

    def _wait_of_address(self) -> timedelta:
        """How long whoever comes from there waits, whatever names were tried."""
        tries, now = _wrong_from[self._from], self.clock()
        while tries and not timedelta() <= now - tries[0] < ADDRESS_WAIT:
            tries.popleft()
        return ADDRESS_WAIT - (now - tries[0]) if len(tries) == tries.maxlen else timedelta()

    @property
    def _from(self) -> tuple[str, str | None]:
        return str(self.ledger.path), self.address

    def _failed(self, about: str) -> None:
        if self.way == "network":
            if len(_wrong_from) > MOST_ADDRESSES:
                _wrong_from.clear()
            _wrong_from[self._from].append(self.clock())
        self.note("sign_in_failed", about, NOBODY)
        left = wait_left(self._failures(about), self.clock())
        if left:
            self.note("locked_out", about, NOBODY, f"for {round(left.total_seconds())} seconds")


def _taken(row: PersonRow) -> BadInput:
    return BadInput("{name} is on record already: use a name that tells them apart.", name=row.name)


def _stranger(name: str) -> str:
    """Whose door it is when somebody who is not on record signs in.

    Each name has its own, as those on record have, so that no lock tells who is. What was typed is
    not kept, for it may be a passphrase: too little of its hash is for it to be guessed by.
    """
    return f"{NOBODY} {sha256(name.encode(errors='replace')).hexdigest()[:4]}"


def active_person(reader: LedgerReader, name: str) -> PersonRow:
    """Return somebody who is at the bench (NotAllowed for a stranger or one who has left)."""
    row = reader.person(name)
    if row is None:
        raise NotAllowed("{name!r} is not on record: a lead adds people.", name=name)
    if not row.active:
        raise NotAllowed("{name} has left: a lead can add the person again.", name=name)
    return row


def leads_with_secret(
    reader: LedgerReader, secrets: SecretFile, *, passphrase: bool = False
) -> list[PersonRow]:
    """Return the leads who can sign in; with ``passphrase``, those who can over the network."""
    kinds = secrets.kinds()
    wanted = ("passphrase",) if passphrase else ("pin", "passphrase")
    return [
        row for row in reader.people() if row.role == Role.LEAD and kinds.get(row.name) in wanted
    ]
