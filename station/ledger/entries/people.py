"""Entries about the people at the bench."""

from typing import ClassVar, Literal

from station.ledger.entries.base import Payload


class PersonAdded(Payload):
    """A person who may stand at the bench."""

    KIND: ClassVar[str] = "person_added"

    name: str
    role: Literal["apprentice", "installer", "lead"]


class RoleChanged(Payload):
    """A person has another role from now on."""

    KIND: ClassVar[str] = "role_changed"

    name: str
    was: str
    role: Literal["apprentice", "installer", "lead"]
    reason: str = ""


class PersonLeft(Payload):
    """A person no longer works at the bench; what they did stays theirs."""

    KIND: ClassVar[str] = "person_left"

    name: str
    reason: str = ""


class PersonPrefers(Payload):
    """How a person likes to read the page: language and units. Changes nothing that is recorded."""

    KIND: ClassVar[str] = "person_prefers"

    name: str
    choices: dict[str, str]


DoorWord = Literal[
    "signed_in", "sign_in_failed", "locked_out", "signed_out", "secret_set", "code_shown", "refused"
]


class DoorEvent(Payload):
    """Somebody signed in, failed to, or was refused. Never holds a secret or part of one."""

    KIND: ClassVar[str] = "door_event"

    event: DoorWord
    about: str
    """Whose door it is; a stand-in where a name that is not on record was given."""
    way: Literal["bench", "network", "command"]
    """The page on this machine, the page from another one, or the command line."""
    address: str | None = None
    detail: str = ""
