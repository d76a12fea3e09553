"""The secrets beside the ledger: hashed, private, whole."""

import stat
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import pytest
from werkzeug.security import check_password_hash, generate_password_hash

from station.errors import DataFileError
from station.shop.secrets import CODE_LASTS, HASH_METHOD, SecretFile
from tests.doors import cheap_hashes

NOW = datetime(2031, 3, 4, 15, 0, tzinfo=UTC)


@pytest.fixture
def secrets(tmp_path: Path) -> Iterator[SecretFile]:
    with cheap_hashes():
        yield SecretFile(tmp_path / "bench.ledger")


def test_a_secret_matches_its_person_only(secrets: SecretFile) -> None:
    secrets.keep("Ann Example", "seven brown otters")
    secrets.keep("Bo Invented", "480913")
    assert secrets.kinds() == {"Ann Example": "passphrase", "Bo Invented": "pin"}
    assert secrets.matches("Ann Example", "seven brown otters")
    assert not secrets.matches("Bo Invented", "seven brown otters")
    assert not secrets.matches("Ann Example", "seven brown otters ")
    assert not secrets.matches("Cy Invented", "480913")
    secrets.forget("Ann Example")
    assert not secrets.matches("Ann Example", "seven brown otters")
    assert secrets.kinds() == {"Bo Invented": "pin"}


def test_nothing_readable_is_kept_and_nobody_else_may_look(tmp_path: Path) -> None:
    secrets = SecretFile(tmp_path / "bench.ledger")
    secrets.keep("Ann Example", "seven brown otters")
    text = secrets.path.read_text(encoding="utf-8")
    assert "otters" not in text
    assert f"{HASH_METHOD}$" in text
    assert stat.S_IMODE(secrets.path.stat().st_mode) == 0o600
    assert [path.name for path in secrets.path.parent.iterdir()] == ["bench.ledger.secrets"]


def test_equal_secrets_have_different_hashes(secrets: SecretFile) -> None:
    for name in ("Ann Example", "Bo Invented"):
        secrets.keep(name, "seven brown otters")
    lines = secrets.path.read_text(encoding="utf-8").splitlines()
    hashes = [line.split('"')[3] for line in lines if '"hash"' in line]
    assert len(set(hashes)) == 2


def test_the_hash_is_scrypt_as_rfc_7914_has_it() -> None:
    """The library against the third test vector of RFC 7914, section 12 [memory].

    Its salt is text and it asks for N = 16384, r = 8, p = 1; only the letters of the hash are
    compared, which no other function would give.
    """
    vector = (
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
    )
    stored = f"scrypt:16384:8:1$SodiumChloride${vector}"
    assert check_password_hash(stored, "pleaseletmein")
    assert not check_password_hash(stored, "pleaseletmeout")
    assert generate_password_hash("x", HASH_METHOD).startswith("scrypt:32768:8:3$")


def test_a_code_works_in_time_and_until_it_is_spent(secrets: SecretFile) -> None:
    first = secrets.new_code(NOW)
    code = secrets.new_code(NOW)
    assert len(code.replace("-", "")) == 12
    assert code.replace("-", "") not in secrets.path.read_text(encoding="utf-8")
    assert not secrets.code_matches(first, NOW)
    assert secrets.code_matches(code, NOW)
    assert secrets.code_matches(code.replace("-", " "), NOW)
    assert not secrets.code_matches(code, NOW + CODE_LASTS + timedelta(seconds=1))
    assert not secrets.code_matches(code, NOW - timedelta(seconds=1))
    secrets.spend_code()
    assert not secrets.code_matches(code, NOW)
    assert not secrets.code_matches("", NOW)


@pytest.mark.parametrize(
    "text", ["", "{}x", '{"people": {"Ann": {"hash": "h4sh"}}}', '{"format": 2}']
)
def test_a_damaged_file_is_named_and_lets_nobody_in(secrets: SecretFile, text: str) -> None:
    secrets.path.write_text(text, encoding="utf-8")
    for act in (
        secrets.kinds,
        lambda: secrets.matches("Ann Example", "x"),
        lambda: secrets.keep("Ann Example", "seven brown otters"),
    ):
        with pytest.raises(DataFileError, match="remove that file") as refused:
            act()
        assert "h4sh" not in str(refused.value)
    assert secrets.path.read_text(encoding="utf-8") == text


def test_a_write_that_fails_keeps_the_old_secrets(secrets: SecretFile) -> None:
    secrets.keep("Ann Example", "seven brown otters")
    with (
        patch("station.shop.secrets.os.fsync", side_effect=OSError(28, "No space left on device")),
        pytest.raises(DataFileError, match="No space left on device"),
    ):
        secrets.keep("Ann Example", "eight brown otters")
    assert secrets.matches("Ann Example", "seven brown otters")
    assert [path.name for path in secrets.path.parent.iterdir()] == ["bench.ledger.secrets"]


def test_changes_at_once_are_all_kept(secrets: SecretFile) -> None:
    names = [f"Person {number}" for number in range(8)]
    with patch("station.shop.secrets._hash", lambda secret: f"plain$${secret}"):
        threads = [threading.Thread(target=secrets.keep, args=(name, "1234567")) for name in names]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert sorted(secrets.kinds()) == names
