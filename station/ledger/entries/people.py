"""Entries about the people at the bench."""

from typing import Literal

from station.ledger.entries.base import Payload


class PersonAdded(Payload, kind="person_added"):
    """A person who may stand at the bench."""

    name: str
    role: Literal["apprentice", "installer", "lead"]


class RoleChanged(Payload, kind="role_changed"):
    """A person has another role from now on."""

    name: str
    was: str
    role: Literal["apprentice", "installer", "lead"]
    reason: str = ""


class PersonLeft(Payload, kind="person_left"):
    """A person no longer works at the bench; what they did stays theirs."""

    name: str
    reason: str = ""


class PersonPrefers(Payload, kind="person_prefers"):
    """How a person likes to read the page: language and units. Changes nothing that is recorded."""

    name: str
    choices: dict[str, str]


DoorWord = Literal[
    "signed_in", "sign_in_failed", "locked_out", "signed_out", "secret_set", "code_shown", "refused"
]


class DoorEvent(Payload, kind="door_event"):
    """Somebody signed in, failed to, or was refused. Never holds a secret or part of one."""

    event: DoorWord
    about: str
    """Whose door it is; a stand-in where a name that is not on record was given."""
    way: Literal["bench", "network", "command"]
    """The page on this machine, the page from another one, or the command line."""
    address: str | None = None
    detail: str = ""
