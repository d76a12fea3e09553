"""The keys of certifications that are being judged, in a file of their own beside the ledger.

The record has only each key's commitment, a hash of it with a salt, until the outcome is signed:
whoever can read the ledger, an export or a backup cannot tell which code is whose, and afterwards
everybody can tell that the key is the one that was drawn. Where the file is lost, a certification
that is not signed yet can only be given up.
"""

import hashlib
import secrets
from collections.abc import Mapping
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from station.errors import DataFileError, LedgerDamaged
from station.files import replaced
from station.ledger.chain import canonical_json
from station.ledger.entries import CodeFor, CodesDrawn, KeyOpened
from station.ledger.rows import JobRecord


class SealedKey(BaseModel):
    """What the codes of one sitting stand for, and the salt that hides it in its hash."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    salt: str
    codes: dict[str, CodeFor]

    @property
    def commitment(self) -> str:
        """SHA-256 of the canonical JSON of the key."""
        return hashlib.sha256(canonical_json(self.model_dump()).encode()).hexdigest()


class _Keys(BaseModel):
    keys: dict[str, SealedKey] = {}


def key_file(ledger_path: Path) -> Path:
    """Where the keys lie."""
    return ledger_path.with_name(ledger_path.name + ".keys")


def _read(path: Path) -> _Keys:
    try:
        return _Keys.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return _Keys()
    except (OSError, ValidationError) as error:
        raise DataFileError(
            f"The keys of certifications in {path} cannot be read: start the station as the user "
            "who owns them, or put the file aside and give open certifications up."
        ) from error


def seal(ledger_path: Path, codes: Mapping[str, CodeFor]) -> str:
    """Keep a key beside the ledger and return its commitment.

    Called while the ledger's write lock is held, so no other process writes the file.
    """
    key = SealedKey(salt=secrets.token_hex(16), codes=dict(codes))
    path = key_file(ledger_path)
    kept = _read(path).keys | {key.commitment: key}
    with replaced(path, 0o600) as half:
        half.write_text(_Keys(keys=kept).model_dump_json(indent=1), encoding="utf-8")
    return key.commitment


def opened(ledger_path: Path, record: JobRecord) -> list[KeyOpened]:
    """The keys of a job that the record does not have yet, as they go into it."""
    known = {one.sitting for one in record.steps_of(KeyOpened)}
    kept = _read(key_file(ledger_path)).keys
    return [
        KeyOpened(demo=drawn.demo, job_id=drawn.job_id, sitting=drawn.sitting, **dict(key))
        for drawn in record.steps_of(CodesDrawn)
        if drawn.sitting not in known and (key := kept.get(drawn.commitment or "")) is not None
    ]


def key_of(ledger_path: Path, record: JobRecord) -> dict[str, CodeFor]:
    """What the codes of a job stand for; nothing of a sitting whose key is lost.

    Raises
    ------
    LedgerDamaged
        A key on record is not the one that was committed to.
    """
    drawn = record.steps_of(CodesDrawn)
    found = {code: slot for one in drawn for code, slot in one.codes.items()}
    due = {one.sitting: one.commitment for one in drawn if one.commitment is not None}
    if not due:
        return found
    for key in [*record.steps_of(KeyOpened), *opened(ledger_path, record)]:
        if SealedKey(salt=key.salt, codes=key.codes).commitment != due.get(key.sitting):
            raise LedgerDamaged(
                f"The key of certification {record.row.job_id}, sitting {key.sitting}, is not the "
                "one that was drawn: it was changed."
            )
        found |= key.codes
    return found
