"""Where PINs and passphrases are kept: hashed, in a file of its own beside the ledger.

Not in the ledger, because its entries are exported, copied and never removed: a hash must go
nowhere and must be forgotten once it is replaced. The file is readable by its owner alone. Losing
it loses no record; new secrets are then given from the console.
"""

import fcntl
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from station.errors import DataFileError
from station.files import replaced
from station.shop.rights import is_pin

HASH_METHOD = "scrypt:32768:8:3"
"""Parameters that OWASP's password storage cheat sheet gives for scrypt with 32 MiB of memory
(N = 2^15, r = 8, p = 3) [memory]."""

CODE_DIGITS = 12
"""Length of a one-time code: digits, so that the buttons of the sign-in page are enough."""

CODE_LASTS = timedelta(days=1)

SecretKind = Literal["pin", "passphrase"]


class _Kept(BaseModel):
    # Without its input: a message about a damaged file must not quote a hash.
    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class KeptSecret(_Kept):
    """One person's secret."""

    kind: SecretKind
    hash: str


class KeptCode(_Kept):
    """The one-time code for the first lead."""

    hash: str
    until: AwareDatetime


class Kept(_Kept):
    """The whole file."""

    format: Literal[1] = 1
    people: dict[str, KeptSecret] = {}
    code: KeptCode | None = None


class SecretFile:
    """The secrets of one ledger's people. May be shared by threads and processes.

    Parameters
    ----------
    ledger_path
        The secrets lie beside it, under its name with ``.secrets`` added.
    """

    def __init__(self, ledger_path: Path) -> None:
        self.path = ledger_path.with_name(ledger_path.name + ".secrets")

    def kinds(self) -> dict[str, SecretKind]:
        """Whether each person's secret is a PIN or a passphrase; who has none is absent.

        Raises
        ------
        DataFileError
            The file cannot be read or is damaged. So does every other method.
        """
        return {name: kept.kind for name, kept in self._read().people.items()}

    def matches(self, name: str, secret: str) -> bool:
        """Whether this is the person's secret; takes as long for somebody who has none."""
        return _matches(self._read().people.get(name), secret)

    def keep(self, name: str, secret: str) -> None:
        """Keep a person's secret, in place of the one before."""
        made = KeptSecret(kind="pin" if is_pin(secret) else "passphrase", hash=_hash(secret))
        self._change(lambda kept: {"people": kept.people | {name: made}})

    def forget(self, name: str) -> None:
        """Forget a person's secret, if there is one."""
        self._change(
            lambda kept: {"people": {one: kept.people[one] for one in kept.people if one != name}}
        )

    def new_code(self, now: datetime) -> str:
        """Make a one-time code; the one before is void."""
        digits = "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS))
        made = KeptCode(hash=_hash(digits), until=now + CODE_LASTS)
        self._change(lambda _: {"code": made})
        return "-".join(digits[start : start + 4] for start in range(0, CODE_DIGITS, 4))

    def code_matches(self, code: str, now: datetime) -> bool:
        """Whether this is the one-time code, and still in time."""
        kept = self._read().code
        right = _matches(kept, "".join(letter for letter in code if letter.isdigit()))
        # A clock that was set back since the code was made does not lengthen its life.
        in_time = kept is not None and kept.until - CODE_LASTS <= now <= kept.until
        return in_time and right

    def spend_code(self) -> None:
        """Make the one-time code worthless."""
        self._change(lambda _: {"code": None})

    def _read(self) -> Kept:
        try:
            return Kept.model_validate_json(self.path.read_bytes())
        except FileNotFoundError:
            return Kept()
        except OSError as error:
            raise DataFileError(
                f"The secrets in {self.path} cannot be read ({error.strerror}): start the station "
                "as the user who owns them."
            ) from error
        except ValidationError as error:
            raise DataFileError(
                f"The secrets in {self.path} are damaged: remove that file, then give everyone a "
                "new one, beginning with a one-time code (station people code)."
            ) from error

    def _change(self, change: Callable[[Kept], dict[str, Any]]) -> None:
        try:
            with _locked(self.path.parent):
                kept = self._read()
                text = kept.model_copy(update=change(kept)).model_dump_json(indent=1)
                with replaced(self.path, 0o600) as half:
                    half.write_text(text, encoding="utf-8")
        except OSError as error:
            raise DataFileError(
                f"The secrets in {self.path} could not be written ({error.strerror}), the old ones "
                "stay: check the disk and the permissions of its folder."
            ) from error


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Let one process at a time change the files of a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _hash(secret: str) -> str:
    # Imported where it is used: it brings a web server along, which most commands never need.
    from werkzeug.security import generate_password_hash

    return generate_password_hash(secret, HASH_METHOD)


def _matches(kept: KeptSecret | KeptCode | None, given: str) -> bool:
    from werkzeug.security import check_password_hash

    # Where there is none, with a hash that nothing has, so that it takes as long.
    kept_hash = f"{HASH_METHOD}$none${'0' * 128}" if kept is None else kept.hash
    return check_password_hash(kept_hash, given) and kept is not None
